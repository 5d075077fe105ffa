"""Measure finished files again: compare our meter with the report, and other meters with ours."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial

from assembler.download.formats import facts_of
from assembler.dsp.meter import Reading, read_meter
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, UnreadableError, mismatch, reading
from assembler.finished.pcm import Stretch, in_format, on_image
from assembler.manifest.sets import set_of
from assembler.text import compact, decimal
from assembler.verification.second_meter import SecondReading, near, second_reading
from assembler.verification.sound import sound_of

LEVEL_TOLERANCE_DB = 0.02
CEILING_TOLERANCE_DB = 0.05


@dataclass(frozen=True)
class LosslessTrack:
    """A track on an image or in a lossless format, and what the report says of its level."""

    file: str
    name: str
    number: int
    stretch: Callable[[], Stretch]
    reported_lufs: float | None
    ceiling_dbtp: float


def image_tracks(release: FinishedRelease) -> Iterator[LosslessTrack]:
    """Return the tracks on the images."""
    ceiling_dbtp = release.report.level.disc.ceiling
    for index, track in enumerate(release.tracks):
        file = release.disc_file(track.disc_number, ".wav")
        lufs = track.disc.integrated_lufs if track.disc else None
        stretch = partial(on_image, release, index)
        name = f"{file}, track {track.number}"
        yield LosslessTrack(file, name, track.number, stretch, lufs, ceiling_dbtp)


def download_tracks(release: FinishedRelease) -> Iterator[LosslessTrack]:
    """Return the lossless download files."""
    levels = release.report.level.named
    for form, made in release.report.formats.items():
        ceiling_dbtp = levels[set_of(form)].ceiling
        for index, track in enumerate(() if facts_of(form).lossy else release.tracks):
            file = release.track_file(form, track)
            lufs = made.levels[index].track_lufs
            stretch = partial(in_format, release, form, index)
            yield LosslessTrack(file, file, track.number, stretch, lufs, ceiling_dbtp)


def level(track: LosslessTrack) -> Iterator[Finding]:
    """Measure a track, and compare it with the report and its ceiling."""
    read = _read(track.stretch())
    peak, lufs = read.true_peak_dbtp, read.integrated_lufs
    if peak is not None and peak > track.ceiling_dbtp + CEILING_TOLERANCE_DB:
        found, ceiling = decimal(peak, 2), compact(track.ceiling_dbtp)
        message = f"has a true peak of {found} dBTP, the ceiling is {ceiling} dBTP"
        yield mismatch("over-ceiling", track.file, message)
    if not near(lufs, track.reported_lufs, LEVEL_TOLERANCE_DB):
        found, expected = decimal(lufs, 2), decimal(track.reported_lufs, 2)
        message = f"track {track.number} measures {found} LUFS, the report has {expected} LUFS"
        yield mismatch("other-level", track.file, message)


def _read(stretch: Stretch) -> Reading:
    return read_meter(sound_of(stretch, stretch.name).blocks(), stretch.rate_hz, 2)


def second_readings(
    release: FinishedRelease, pool: Executor
) -> tuple[list[SecondReading], list[Finding]]:
    """Measure every lossless file, and each track of an image, with our meter and with others.

    Returns
    -------
    readings, findings
        An error for each that differs by more than 0.1 LU or 0.1 dB.
    """
    tracks = [*image_tracks(release.primary)] if release.has("disc") else []
    for own in release.of_sets if release.has("download") else ():
        tracks += download_tracks(own)
    done = list(pool.map(_measured, tracks))
    return [one for one, _ in done if one], [finding for _, found in done for finding in found]


def _measured(track: LosslessTrack) -> tuple[SecondReading | None, list[Finding]]:
    try:
        with reading(track.file):
            stretch = track.stretch()
            ours = _read(stretch)
            theirs = second_reading(sound_of(stretch, stretch.name).blocks(), stretch.rate_hz)
    except UnreadableError as error:
        return None, [mismatch("unreadable-file", error.name, error.reason)]
    read = SecondReading(track.name, ours.integrated_lufs, ours.true_peak_dbtp, *theirs)
    if read.agrees:
        return read, []
    message = (
        f"meters differ: {decimal(read.ours_lufs, 2)} LUFS, {decimal(read.ours_dbtp, 2)} dBTP; "
        f"pyloudnorm {decimal(read.theirs_lufs, 2)} LUFS, soxr {decimal(read.theirs_dbtp, 2)} dBTP"
    )
    return read, [mismatch("meters-differ", track.file, message)]
