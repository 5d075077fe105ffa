"""Compare the sound of download files, clips and sources with the image."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from assembler.audio import Recording, open_recording
from assembler.digest import file_digest
from assembler.download.formats import facts_of
from assembler.download.lossy import decoded
from assembler.dsp.blocks import Samples
from assembler.dsp.compressor import compress
from assembler.dsp.equaliser import equalise
from assembler.dsp.fades import fade
from assembler.dsp.resample import position_at
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, mismatch
from assembler.finished.pcm import first_sample, region_of_image
from assembler.manifest.filters import bands_of
from assembler.manifest.tone import Band
from assembler.preflight.track_section import compressor_of, with_bands
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.verification.files import join_clips, listening_copies
from assembler.verification.other_edition import OtherEdition, aligned, common_part
from assembler.verification.renderings import Rendering
from assembler.verification.sound import (
    Difference,
    Sound,
    differences,
    sample_differences,
    sound_of,
)

FileCheck = tuple[str, Callable[[], Iterator[Finding]]]
"""A file of the release, and a function that checks it."""

LOSSLESS_DB, LOSSY_DB, CLIP_DB = 0.1, 1.0, 1.0
"""Tolerance of the gain between two files: AAC lowers noise by 0.5 dB."""
SOURCE_DB = 0.3


def download_pairs(
    release: FinishedRelease, other_edition: OtherEdition | None = None
) -> Iterator[FileCheck]:
    """Return the comparisons of all download files with the image, else with the first format.

    Parameters
    ----------
    release
        An edition of the release.
    other_edition
        The edition again, if its tracks are not those of the disc.
    """
    formats = sorted(release.report.formats, key=lambda name: facts_of(name).lossy)
    for name in formats:
        for index in range(len(release.tracks)):
            second = Rendering(release, index, name)
            first = other_edition.on_image(index) if other_edition else None
            if release.has("disc"):
                first = Rendering(release, index, None)
            elif not isinstance(first, Rendering):
                first = Rendering(release, index, formats[0])
            if first.release is not release or first.name != name:
                yield second.path, partial(_download, first, second, other_edition)


def _download(
    first: Rendering, second: Rendering, other_edition: OtherEdition | None
) -> Iterator[Finding]:
    crosses = other_edition if first.release is not second.release else None
    left, right = first.lossless(), second.lossless()
    is_same = crosses.is_same_rendering if crosses else _is_same_master
    if left and right and is_same(first, second):
        found = sample_differences(*(common_part(left, right) if crosses else (left, right)))
    else:
        one, other = aligned(first, second) if crosses else (first.sound(), second.sound())
        tolerance_db = LOSSY_DB if first.is_lossy or second.is_lossy else LOSSLESS_DB
        if crosses or first.level != second.level:
            tolerance_db += second.reduction_db
        found = differences(one, other, second.gain_db - first.gain_db, tolerance_db)
    yield from _findings(second.path, found)


def _is_same_master(one: Rendering, other: Rendering) -> bool:
    """Return whether two files have the same level, and each track the same rate in both."""
    return one.level == other.level and one.rates_hz == other.rates_hz


def clip_pairs(release: FinishedRelease) -> Iterator[FileCheck]:
    """Return the comparisons of the proof's clips of the joins with the image."""
    if not release.has("disc"):
        return
    primary = release.primary
    for path, disc, start, end in join_clips(primary):
        frames = (start // SAMPLES_PER_FRAME, end // SAMPLES_PER_FRAME)
        stretch = region_of_image(primary, disc, *frames)
        yield path, partial(_clip, release, path, partial(sound_of, stretch, "the image there"))
    sounds = played_sounds(release)
    for path, sound in zip(listening_copies(release), sounds, strict=True):
        yield path, partial(_clip, release, path, sound)


def played_sounds(release: FinishedRelease) -> Iterator[Callable[[], Sound]]:
    """Return functions that read what the proof plays: each track on the image, else in a file."""
    primary = release.primary
    placed = [(primary, index) for index in range(len(primary.tracks))]
    for own, index in (*placed, *release.others):
        formats = sorted(own.report.formats, key=lambda name: facts_of(name).lossy)
        name = None if own.report.discs else formats[0]
        yield Rendering(own, index, name).sound


def mp3_rate_hz(rate_hz: int) -> int:
    """Return the sample rate of an MP3 copy: at most 48 kHz."""
    if rate_hz <= 48000:
        return rate_hz
    return 48000 if rate_hz % 48000 == 0 else 44100


def _clip(release: FinishedRelease, path: str, sound: Callable[[], Sound]) -> Iterator[Finding]:
    whole = sound()
    read = partial(decoded, release.folder / path, "mp3")
    clip = Sound(path, mp3_rate_hz(whole.rate_hz), read)
    yield from _findings(path, differences(whole, clip, 0.0, CLIP_DB))


def find_sources(release: FinishedRelease, folder: Path | None) -> Path | None:
    """Return the folder that the manifest's paths are relative to; None where no source is found.

    Parameters
    ----------
    release
        The release.
    folder
        The folder of its sources; beside or above the release's folder if not given.
    """
    place = release.folder.resolve()
    for one in [folder] if folder else [place.parent.parent, place.parent]:
        if any((one / n).is_file() for t in release.report.tracks for n in t.source.files):
            return one
    return None


def source_pairs(release: FinishedRelease, sources: Path) -> Iterator[FileCheck]:
    """Return the comparisons of the delivered sound with the sources that are found."""
    on_disc = release.has("disc")
    formats = sorted(release.report.formats, key=lambda name: facts_of(name).lossy)
    if not on_disc and not formats:
        return
    name = None if on_disc else formats[0]
    for index, track in enumerate(release.tracks):
        paths = tuple(sources / file for file in track.source.files)
        if _is_restored(release, index) or not all(path.is_file() for path in paths):
            continue
        made = Rendering(release, index, name)
        yield made.path, partial(_source, made, paths)


def _is_restored(release: FinishedRelease, index: int) -> bool:
    """Return whether a track's source was restored before other processing."""
    side = release.manifest.tracks[index].side
    return side is not None and not release.manifest.transfers[side].is_unchanged


def _from(recording: Recording, start: int, end: int) -> Iterator[Samples]:
    """Read a recording from a sample on; before its first sample there is silence."""
    if start < 0:
        yield np.zeros((-start, 2), np.float32)
    yield from recording.blocks(max(0, start), end)


def _overlaps(release: FinishedRelease, index: int) -> bool:
    return any(track.overlap for track in release.manifest.tracks[index : index + 2])


def _source(one: Rendering, paths: tuple[Path, ...]) -> Iterator[Finding]:
    release, index, made = one.release, one.index, one.path
    track, reported = one.track, one.track.source
    which = f"track {track.number}"
    if "+".join(map(file_digest, paths)) != reported.sha256:
        message = (
            f"{which} is not compared with its source: {' and '.join(reported.files)} changed "
            "since the build"
        )
        yield Finding("warning", "source-changed", made, made, 0, message)
        return
    plain = not (one.reduction_db or _overlaps(release, index))
    gain_db = one.gain_db if plain else None
    delivered = one.sound()
    with TemporaryDirectory() as scratch:
        recording = open_recording(paths, Path(scratch))
        first = first_sample(track, delivered.rate_hz)
        start = position_at(first, delivered.rate_hz, recording.rate_hz)
        length = track.file_frames * SAMPLES_PER_FRAME * recording.rate_hz // DISC_RATE_HZ
        end = min(start + length, reported.end_sample)
        length, done = reported.end_sample - start, track.done
        matched = [Band(**band) for band in done.tone.bands] if done.tone else []
        bands = bands_of(with_bands(release.manifest.tracks[index], matched))
        rate_hz = recording.rate_hz
        fade_in, fade_out = (
            round(time_s * rate_hz) for time_s in (done.fade_in_s, done.fade_out_s)
        )

        shape = release.manifest.tracks[index].fade_shape
        compressor = compressor_of(release.manifest.tracks[index])

        def faded() -> Iterator[Samples]:
            sound = equalise(_from(recording, start, end), bands, rate_hz)
            if compressor:
                sound = compress(sound, compressor, rate_hz)
            return fade(sound, length, fade_in, fade_out, shape=shape)

        source = Sound("its source", rate_hz, faded)
        for code, message in differences(source, delivered, gain_db, SOURCE_DB, throughout=False):
            yield mismatch(code, made, f"{which} {message}")


def _findings(path: str, found: Iterator[Difference]) -> Iterator[Finding]:
    return (mismatch(code, path, message) for code, message in found)
