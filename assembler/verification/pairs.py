"""Compare the sound of download files, clips and sources with the image."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from assembler.audio import Recording, open_recording
from assembler.audio.digest import file_digest
from assembler.download.formats import facts_of
from assembler.download.lossy import decoded
from assembler.dsp.blocks import Samples
from assembler.dsp.compressor import compress
from assembler.dsp.equaliser import equalise
from assembler.dsp.fades import fade
from assembler.dsp.resample import position_at
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, mismatch
from assembler.finished.pcm import (
    Stretch,
    first_sample,
    in_format,
    on_image,
    region_of_image,
)
from assembler.finished.report_form import TrackReport
from assembler.manifest.filters import bands_of
from assembler.manifest.sets import DISC, set_of
from assembler.preflight.track_section import compressor_of
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.verification.files import join_clips, listening_copies
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


def download_pairs(release: FinishedRelease) -> Iterator[FileCheck]:
    """Return the comparisons of all download files with the image, else with the first format."""
    formats = sorted(release.report.formats, key=lambda name: facts_of(name).lossy)
    on_disc = release.has("disc")
    for name in formats if on_disc else formats[1:]:
        first = None if on_disc else formats[0]
        for index, track in enumerate(release.tracks):
            path = release.track_file(name, track)
            yield path, partial(_download, release, index, first, name)


def _download(
    release: FinishedRelease, index: int, first: str | None, second: str
) -> Iterator[Finding]:
    track = release.tracks[index]
    path = release.track_file(second, track)
    left, right = (_lossless(release, index, name) for name in (first, second))
    if left and right and _is_same_master(release, first, second):
        found = sample_differences(left, right)
    else:
        one, other = (_sound(release, index, name) for name in (first, second))
        lossy = any(facts_of(name).lossy for name in (first, second) if name)
        tolerance_db = LOSSY_DB if lossy else LOSSLESS_DB
        if not _is_same_level(release, first, second):
            tolerance_db += _reduction_db(track)
        gain_db = _gain_db(release, index, second) - _gain_db(release, index, first)
        found = differences(one, other, gain_db, tolerance_db)
    yield from _findings(path, found)


def _lossless(release: FinishedRelease, index: int, name: str | None) -> Stretch | None:
    """Return a track's samples in a format, or for None on the image; None for a lossy format."""
    if name is None:
        return on_image(release, index)
    return None if facts_of(name).lossy else in_format(release, name, index)


def _sound(release: FinishedRelease, index: int, name: str | None) -> Sound:
    stretch = _lossless(release, index, name)
    if stretch is not None:
        where = "the image" if name is None else name
        return sound_of(stretch, f"track {release.tracks[index].number} in {where}")
    assert name is not None
    path = release.track_file(name, release.tracks[index])
    rate_hz = release.report.formats[name].rates_hz[index]
    container = facts_of(name).container
    return Sound(path, rate_hz, partial(decoded, release.folder / path, container))


def _is_same_level(release: FinishedRelease, first: str | None, second: str | None) -> bool:
    one, other = (release.manifest.level_of(set_of(n) if n else DISC) for n in (first, second))
    return one == other


def _is_same_master(release: FinishedRelease, first: str | None, second: str | None) -> bool:
    """Return whether two files have the same level, and each track the same rate in both."""
    count = len(release.tracks)
    rates = [
        release.report.formats[name].rates_hz if name else [DISC_RATE_HZ] * count
        for name in (first, second)
    ]
    return _is_same_level(release, first, second) and rates[0] == rates[1]


def _gain_db(release: FinishedRelease, index: int, name: str | None) -> float:
    """Return a track's gain in a format, or for None on the image."""
    if name is None:
        delivered = release.tracks[index].disc
        return delivered.gain_db if delivered else 0.0
    format_made = release.report.formats[name]
    lossy = format_made.lossy
    return format_made.gains_db[index] - (lossy[index].lowered_db if lossy else 0.0)


def _reduction_db(track: TrackReport) -> float:
    return max((one.limiting.most_db for one in track.delivered.values()), default=0.0)


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
        yield partial(_sound, own, index, name)


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
        disc = release.disc_file(track.disc_number, ".wav")
        made = release.track_file(name, track) if name else disc
        yield made, partial(_source, release, index, name, paths, made)


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


def _source(
    release: FinishedRelease, index: int, name: str | None, paths: tuple[Path, ...], made: str
) -> Iterator[Finding]:
    track, reported = release.tracks[index], release.tracks[index].source
    which = f"track {track.number}"
    if "+".join(map(file_digest, paths)) != reported.sha256:
        message = (
            f"{which} is not compared with its source: {' and '.join(reported.files)} changed "
            "since the build"
        )
        yield Finding("warning", "source-changed", made, made, 0, message)
        return
    plain = not (_reduction_db(track) or _overlaps(release, index))
    gain_db = _gain_db(release, index, name) if plain else None
    delivered = _sound(release, index, name)
    with TemporaryDirectory() as scratch:
        recording = open_recording(paths, Path(scratch))
        first = first_sample(track, delivered.rate_hz)
        start = position_at(first, delivered.rate_hz, recording.rate_hz)
        length = track.file_frames * SAMPLES_PER_FRAME * recording.rate_hz // DISC_RATE_HZ
        end = min(start + length, reported.end_sample)
        rate_hz, bands = recording.rate_hz, bands_of(release.manifest.tracks[index])
        length, done = reported.end_sample - start, track.done
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
