"""A passage's sound at one rate: section, EQ, compressor, rate conversion and fades, then gain."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import accumulate, pairwise
from pathlib import Path
from typing import BinaryIO

import numpy as np

from assembler.cancel import check_cancelled
from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import amplitude
from assembler.dsp.equaliser import equalise
from assembler.dsp.fades import fade
from assembler.dsp.resample import BEYOND_S, SETTLE_S, section_at, settled_start
from assembler.errors import SourceError
from assembler.mastering.compression import (
    CompressionLog,
    TrackCompression,
    read_compressions,
    write_compressions,
)
from assembler.preflight.track_section import TrackSection
from assembler.sequence import Passage
from assembler.sequence.frames import samples_at, samples_in

BLOCK_FRAMES = 1 << 17
_RELEASES = 10
"""Releases of a compressor or dynamic band read before a section: e⁻¹⁰ is left of what was."""
RAMP_S = 0.01
"""Half the duration of the gain ramp at a segue between tracks of different gain."""


@dataclass(frozen=True)
class RenderedPassage:
    """A passage's sound after EQ, rate conversion and fades, before gain."""

    passage: Passage
    sections: tuple[TrackSection, ...]
    rate_hz: int
    file: Path
    """Where rendering takes long (EQ, rate conversion), the samples of its tracks are kept here for
    the next pass: raw float32, two channels, one track after the other."""
    lengths: tuple[int, ...]
    """Length of each track's sound, in samples."""
    overlaps: tuple[int, ...]
    """Overlap of each track with the one before, in samples."""
    cuts: tuple[int, ...]
    """First sample of each track after the first, on the disc's frame grid."""
    length: int
    """Length with the silence up to the next passage, in samples."""

    @property
    def parts(self) -> tuple[int, ...]:
        """Sample at which each track's sound ends, or at which the next one's begins in it."""
        after = (*self.overlaps[1:], 0)
        return tuple(accumulate(a - b for a, b in zip(self.lengths, after, strict=True)))

    @property
    def region_lengths(self) -> tuple[int, ...]:
        """Length of each track's file in samples: up to the next track's start."""
        edges = (0, *self.cuts, self.length)
        return tuple(b - a for a, b in pairwise(edges))


def prepare(
    passage: Passage, sections: Sequence[TrackSection], rate_hz: int, file: Path
) -> RenderedPassage:
    """Return a passage at a deliverable's rate; its sound is rendered when it is first read."""
    own = [samples_in(s.track.overlap or Fraction(0), rate_hz) for s in sections]
    overlaps = (0, *own[1:])  # the track that the first one overlaps with may be on other editions
    lengths = tuple(section.samples_at(rate_hz) for section in sections)
    cuts = tuple(samples_at(mark, rate_hz) for mark in passage.marks[1:])
    length = max(samples_at(passage.room_frames, rate_hz), sum(lengths) - sum(overlaps))
    return RenderedPassage(passage, tuple(sections), rate_hz, file, lengths, overlaps, cuts, length)


def trimmed_for_meter(rendered: RenderedPassage) -> RenderedPassage:
    """Return a passage with no more trailing silence than can change its loudness.

    The last gating block of BS.1770 that contains any of its sound ends 0.4 s after it, and the
    meter's filter has decayed a few hundredths of a second later.
    """
    length = rendered.parts[-1] + rendered.rate_hz
    return replace(rendered, length=min(rendered.length, length))


def _tracks(rendered: RenderedPassage) -> Iterator[Iterator[Samples]]:
    """Yield the sound of each track: rendered now, or read from the passage's file."""
    if not any(_is_costly(section, rendered.rate_hz) for section in rendered.sections):
        for i in range(len(rendered.sections)):
            yield _rendered_track(rendered, i)
        return
    if not rendered.file.exists():
        _write_file(rendered)
    with rendered.file.open("rb") as file:
        for length in rendered.lengths:
            yield _read_floats(file, length)


def _is_costly(section: TrackSection, rate_hz: int) -> bool:
    return bool(section.bands or section.compressor or section.recording.rate_hz != rate_hz)


def compressions_of(rendered: RenderedPassage) -> list[TrackCompression | None]:
    """Return what the compressor did to each track of a passage that was rendered."""
    return read_compressions(_log_of(rendered), len(rendered.sections))


def remove_files(rendered: RenderedPassage) -> None:
    """Remove what a passage keeps for the next pass."""
    for path in (rendered.file, _log_of(rendered)):
        path.unlink(missing_ok=True)


def _log_of(rendered: RenderedPassage) -> Path:
    return rendered.file.with_suffix(".compression")


def _rendered_track(
    rendered: RenderedPassage, i: int, log: CompressionLog | None = None
) -> Iterator[Samples]:
    """Render a track: section, EQ, compressor, rate conversion, fades.

    Raises
    ------
    SourceError
        Its recording can't be read to its end, or holds NaN or infinite samples.
    """
    section, rate_hz = rendered.sections[i], rendered.rate_hz
    fade_in, fade_out = (*rendered.overlaps, 0)[i : i + 2]
    try:
        sound = _section_sound(section, rate_hz, log)
        yield from fade(sound, section.samples_at(rate_hz), fade_in, fade_out)
    except SourceError as error:
        error.index = section.index
        raise


def _write_file(rendered: RenderedPassage) -> None:
    part = rendered.file.with_suffix(f".{threading.get_ident()}")
    logs = [_compression_log(section, rendered.rate_hz) for section in rendered.sections]
    with part.open("wb") as out:
        for i, log in enumerate(logs):
            for block in _rendered_track(rendered, i, log):
                out.write(np.ascontiguousarray(block, "<f4").data)
    if any(logs):
        log_part = part.with_suffix(f"{part.suffix}-log")
        write_compressions(log_part, [log.result() if log else None for log in logs])
        log_part.replace(_log_of(rendered))
    part.replace(rendered.file)


def _read_floats(file: BinaryIO, length: int) -> Iterator[Samples]:
    for start in range(0, length, BLOCK_FRAMES):
        data = file.read(min(BLOCK_FRAMES, length - start) * 8)
        yield np.frombuffer(data, "<f4").reshape(-1, 2)


def _span_read(section: TrackSection, rate_hz: int) -> tuple[int, int]:
    """Return the samples of a recording that a section is rendered from."""
    recording, own_hz = section.recording, section.recording.rate_hz
    if not _is_costly(section, rate_hz):
        return section.start, section.end
    detectors = (section.compressor, *(band.dynamic for band in section.bands))
    settle_s = max([SETTLE_S, *(_RELEASES * one.release_s for one in detectors if one)])
    read_to = min(recording.frames, section.end + round(BEYOND_S * own_hz))
    return settled_start(section.start, own_hz, rate_hz, settle_s), read_to


def _compression_log(section: TrackSection, rate_hz: int) -> CompressionLog | None:
    """Return what compresses a section; None without a compressor."""
    if section.compressor is None:
        return None
    first, _ = _span_read(section, rate_hz)
    span = (section.start - first, section.end - first)
    return CompressionLog(section.compressor, section.recording.rate_hz, *span)


def _section_sound(
    section: TrackSection, rate_hz: int, log: CompressionLog | None
) -> Iterator[Samples]:
    recording, start, end = section.recording, section.start, section.end
    own_hz = recording.rate_hz
    read_from, read_to = _span_read(section, rate_hz)
    sound = equalise(recording.blocks(read_from, read_to), section.bands, own_hz)
    if log:
        sound = log.compress(sound)
    sound = section_at(sound, read_from, start, end, own_hz, rate_hz)
    fades = (section.fade_in_s, section.fade_out_s)
    fade_in, fade_out = (round(time_s * rate_hz) for time_s in fades)
    length = section.samples_at(rate_hz)
    return fade(sound, length, fade_in, fade_out, shape=section.track.fade_shape)


def with_gain(rendered: RenderedPassage, gains_db: Sequence[float]) -> Iterator[Samples]:
    """Apply each track's gain, and join the tracks.

    Where tracks overlap, each keeps its own gain; at a segue the gain is ramped over
    2 × `RAMP_S`.
    """
    held = np.zeros((0, 2), np.float32)  # the overlapping end of the track before
    for i, sound in enumerate(_tracks(rendered)):
        knots = _knots(rendered, gains_db, i)
        alone = rendered.lengths[i] - (*rendered.overlaps[1:], 0)[i]
        ends = []
        position = 0
        for block in sound:
            check_cancelled()
            end = position + len(block)
            block = _apply_gain(block, position, knots)
            if position < len(held):
                both = held[position:end]
                block = np.concatenate((block[: len(both)] + both, block[len(both) :]))
            if position < alone:
                yield block[: alone - position]
            if end > alone:
                ends.append(block[max(0, alone - position) :])
            position = end
        held = np.concatenate(ends) if ends else held[:0]


Knots = tuple[list[int], list[float]]


def _knots(rendered: RenderedPassage, gains_db: Sequence[float], i: int) -> Knots:
    """Return positions in a track and the gain at each; between them it is interpolated."""
    ramp = max(1, round(RAMP_S * rendered.rate_hz))
    length = rendered.lengths[i]
    places, levels = [0], [gains_db[i]]
    if i > 0 and not rendered.overlaps[i]:
        places, levels = [-ramp, ramp], [gains_db[i - 1], gains_db[i]]
    if i + 1 < len(gains_db) and not rendered.overlaps[i + 1]:
        places, levels = (
            [*places, length - ramp, length + ramp],
            [*levels, gains_db[i], gains_db[i + 1]],
        )
    return places, levels


def _apply_gain(block: Samples, position: int, knots: Knots) -> Samples:
    places, levels_db = knots
    if len(set(levels_db)) == 1:
        gain = np.float32(amplitude(levels_db[0]))
        return block if gain == 1 else block * gain
    gain_db = np.interp(np.arange(position, position + len(block)), places, levels_db)
    return (block * (10 ** (gain_db / 20))[:, None]).astype(np.float32)


def with_silence(sound: Iterator[Samples], length: int) -> Iterator[Samples]:
    """Extend a sound with silence up to a length."""
    done = 0
    for block in sound:
        done += len(block)
        yield block
    while done < length:
        block = np.zeros((min(length - done, BLOCK_FRAMES), 2), np.float32)
        done += len(block)
        yield block
