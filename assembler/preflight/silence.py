"""Find silence at the ends of the delivered files, in the sources and before rendering.

Shops reject a file with more than 10 s of silence at either end (Audiomaze and another), one of
them more than 5 s after a fade (Sundesire).
Silence is sound below −70 dBFS: 16-bit dither is 20 dB lower, tape hiss higher (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from fractions import Fraction
from math import ceil, floor

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.audio.quiet_library import silenced
from assembler.audio.reading import ByLibsndfile
from assembler.file_names import for_libsndfile
from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.preflight.editions import Edition
from assembler.preflight.track_section import TrackSection
from assembler.sequence import TrackPlace
from assembler.text import FRAMES_PER_SECOND, clock_text

LONGEST_SILENCE_S = 10
LONGEST_AFTER_FADE_S = 5
LONGEST_HEAD_S = 0.5
_SILENT_BELOW = 10 ** (-70 / 20)
_MOST_READ_S = 60


def silence_findings(
    source: ManifestFile, edition: Edition, *, in_files: bool
) -> Iterator[Finding]:
    """Note a source that begins with silence; warn of files with long silence at their ends.

    Parameters
    ----------
    source
        The manifest.
    edition
        The tracks.
    in_files
        They are delivered as files, not on a disc alone.
    """
    for section, place, after_s in _readable(edition):
        with suppress(soundfile.LibsndfileError, OSError):  # what reads the file later reports it
            yield from _at_the_head(source, section, place)
            if in_files:
                silent_s = _silent_end_s(section)
                if silent_s is not None and silent_s + after_s > LONGEST_SILENCE_S:
                    yield _at_the_end(source, section, silent_s, after_s)


def silence_after_fades(source: ManifestFile, edition: Edition) -> Iterator[Finding]:
    """Warn of files that end with silence after a fade, too long for one shop."""
    for section, _, after_s in _readable(edition):
        if not section.track.fade_out:
            continue
        with suppress(soundfile.LibsndfileError, OSError):
            silent_s = _silent_end_s(section)
            if silent_s is not None:
                total_s = float(silent_s + after_s)
                if LONGEST_AFTER_FADE_S < total_s <= LONGEST_SILENCE_S:
                    message = (
                        f"the file of track {section.index + 1} has {total_s:.1f} s of silence "
                        f"after its fade: shorten it to {LONGEST_AFTER_FADE_S} s (Sundesire)"
                    )
                    loc = ("tracks", section.index)
                    yield source.finding("warning", "silence-after-fade", loc, message)


def _readable(
    edition: Edition,
) -> Iterator[tuple[TrackSection, TrackPlace, Fraction]]:
    """Yield each track's section and place, and the silence that its file has after it."""
    for disc in edition.discs:
        for place, file_frames in zip(disc.places, disc.file_frames, strict=True):
            section = edition.sections[place.index]
            if not section.recording.is_provisional:
                yield section, place, Fraction(file_frames - place.frames, FRAMES_PER_SECOND)


def _at_the_head(
    source: ManifestFile, section: TrackSection, place: TrackPlace
) -> Iterator[Finding]:
    joined = place.number > 1 and place.gap_frames == 0
    silent_s = _silent_head_s(section)
    if silent_s is None or silent_s <= LONGEST_HEAD_S or joined:
        return
    track = f"track {section.index + 1}"
    remedy = ""
    if section.side is None:
        start_s = Fraction(section.start, section.recording.rate_hz) + silent_s
        remedy = f"`start: {clock_text(Fraction(floor(start_s * 100), 100))}` removes it"
    loc = ("tracks", section.index)
    if silent_s > LONGEST_SILENCE_S:
        message = (
            f"{track} begins with {float(silent_s):.1f} s of silence, and shops reject a file with "
            f"more than 10 s: {remedy or 'set a later `start`'}"
        )
        yield source.finding("warning", "long-silence", loc, message)
    elif remedy:
        message = f"{track} begins with {float(silent_s):.1f} s of silence: {remedy}"
        yield source.finding("note", "silent-head", loc, message)


def _at_the_end(
    source: ManifestFile, section: TrackSection, own_s: Fraction, after_s: Fraction
) -> Finding:
    if own_s < after_s:
        remedy = "shorten the gap after it"
    else:
        end_s = Fraction(section.end, section.recording.rate_hz) - own_s
        remedy = "set an earlier `end`"
        if section.side is None:
            remedy = f"`end: {clock_text(Fraction(ceil(end_s * 100), 100))}` removes its own"
    message = (
        f"the file of track {section.index + 1} ends with {float(own_s + after_s):.1f} s of "
        f"silence, and shops reject more than 10 s: {remedy}"
    )
    return source.finding("warning", "long-silence", ("tracks", section.index), message)


def _silent_head_s(section: TrackSection) -> Fraction | None:
    """Return the silence at the start of a track's source, up to 60 s; None if all is silent."""
    rate_hz, position = section.recording.rate_hz, section.start
    stop = min(section.end, position + _MOST_READ_S * rate_hz)
    with _open_files(section) as files:
        for frames in _block_lengths(rate_hz):
            if position >= stop:
                break
            loud = _loud(files, position, min(stop, position + frames))
            if len(loud):
                return Fraction(position - section.start + int(loud[0]), rate_hz)
            position += frames
    return None if stop == section.end else Fraction(_MOST_READ_S)


def _silent_end_s(section: TrackSection) -> Fraction | None:
    """Return the silence at the end of a track's source, up to 60 s; None if all is silent."""
    rate_hz, end = section.recording.rate_hz, section.end
    first = max(section.start, end - _MOST_READ_S * rate_hz)
    with _open_files(section) as files:
        for frames in _block_lengths(rate_hz):
            if end <= first:
                break
            start = max(first, end - frames)
            loud = _loud(files, start, end)
            if len(loud):
                return Fraction(section.end - start - int(loud[-1]) - 1, rate_hz)
            end = start
    return None if first == section.start else Fraction(_MOST_READ_S)


def _block_lengths(rate_hz: int) -> Iterator[int]:
    """Return block lengths from 0.02 s, doubled up to 1 s: most sources start loud."""
    frames = rate_hz // 50
    while True:
        yield frames
        frames = min(2 * frames, rate_hz)


@contextmanager
def _open_files(section: TrackSection) -> Iterator[list[ByLibsndfile]]:
    """Open a source with libsndfile alone: a check is quick and loads no compiled loops."""
    with ExitStack() as stack:
        files = section.recording.files
        with silenced():
            opened = [ByLibsndfile(for_libsndfile(file.path)) for file in files]
        yield [stack.enter_context(file) for file in opened]


def _loud(files: Sequence[ByLibsndfile], start: int, end: int) -> NDArray[np.intp]:
    """Return the samples, counted from `start`, that are not silent in every channel."""
    is_loud = np.zeros(end - start, bool)
    for file in files:
        file.seek(start)
        samples = file.read(end - start)
        for channel in samples.T:
            is_loud[: len(samples)] |= np.abs(channel) >= _SILENT_BELOW
    return np.flatnonzero(is_loud)
