"""Measure finished files again: compare our meter with the report, and other meters with ours."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from functools import partial

from assembler.download.formats import FACTS
from assembler.dsp.meter import Reading, read_meter
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, UnreadableError, mismatch, reading
from assembler.finished.pcm import in_format, on_image
from assembler.manifest.model import Format
from assembler.text import compact, decimal
from assembler.verification.second_meter import SecondReading, second_reading
from assembler.verification.sound import Sound, sound_of

LEVEL_TOLERANCE_DB = 0.02
CEILING_TOLERANCE_DB = 0.05


def image_level(release: FinishedRelease, index: int) -> Iterator[Finding]:
    """Measure a track on its disc's image."""
    track = release.tracks[index]
    made = track.disc
    reported = made.integrated_lufs if made else None
    name = release.disc_file(track.disc_number, ".wav")
    ceiling_dbtp = release.report.level.disc.ceiling
    read = _read(sound_of(on_image(release, index), name))
    yield from _level(name, f"track {track.number}", read, reported, ceiling_dbtp)


def file_level(release: FinishedRelease, name: Format, index: int) -> Iterator[Finding]:
    """Measure a lossless download file."""
    track = release.tracks[index]
    reported = release.report.formats[name].levels[index].track_lufs
    path = release.track_file(name, track)
    ceiling_dbtp = release.report.level.download.ceiling
    read = _read(sound_of(in_format(release, name, index), path))
    yield from _level(path, f"track {track.number}", read, reported, ceiling_dbtp)


def _read(sound: Sound) -> Reading:
    return read_meter(sound.blocks(), sound.rate_hz, 2)


def _level(
    name: str, which: str, read: Reading, reported_lufs: float | None, ceiling_dbtp: float
) -> Iterator[Finding]:
    peak, lufs = read.true_peak_dbtp, read.integrated_lufs
    if peak is not None and peak > ceiling_dbtp + CEILING_TOLERANCE_DB:
        found, ceiling = decimal(peak, 2), compact(ceiling_dbtp)
        message = f"has a true peak of {found} dBTP, the ceiling is {ceiling} dBTP"
        yield mismatch("over-ceiling", name, message)
    if not _near(lufs, reported_lufs, LEVEL_TOLERANCE_DB):
        found, expected = decimal(lufs, 2), decimal(reported_lufs, 2)
        message = f"{which} measures {found} LUFS, the report has {expected} LUFS"
        yield mismatch("other-level", name, message)


def _near(one: float | None, other: float | None, most: float) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= most


def second_readings(
    release: FinishedRelease, pool: Executor
) -> tuple[list[SecondReading], list[Finding]]:
    """Measure every lossless file, and each track of an image, with our meter and with others.

    Returns
    -------
    readings, findings
        An error for each that differs by more than 0.1 LU or 0.1 dB.
    """
    done = list(pool.map(_measured, _lossless(release)))
    return [one for one, _ in done if one], [finding for _, found in done for finding in found]


def _lossless(release: FinishedRelease) -> Iterator[tuple[str, str, Callable[[], Sound]]]:
    """Return each file, the name of its sound, and a function that opens it."""
    for index, track in enumerate(release.tracks if release.has("disc") else ()):
        file = release.disc_file(track.disc_number, ".wav")
        name = f"{file}, track {track.number}"
        yield file, name, partial(_image_sound, release, index, name)
    formats = release.report.formats if release.has("download") else ()
    for form in (one for one in formats if not FACTS[one].lossy):
        for index, track in enumerate(release.tracks):
            path = release.track_file(form, track)
            yield path, path, partial(_file_sound, release, form, index, path)


def _image_sound(release: FinishedRelease, index: int, name: str) -> Sound:
    return sound_of(on_image(release, index), name)


def _file_sound(release: FinishedRelease, form: Format, index: int, path: str) -> Sound:
    return sound_of(in_format(release, form, index), path)


def _measured(
    one: tuple[str, str, Callable[[], Sound]],
) -> tuple[SecondReading | None, list[Finding]]:
    file, name, open_sound = one
    try:
        with reading(file):
            sound = open_sound()
            ours = _read(sound)
            theirs = second_reading(sound.blocks(), sound.rate_hz)
    except UnreadableError as error:
        return None, [mismatch("unreadable-file", error.name, error.reason)]
    read = SecondReading(name, ours.integrated_lufs, ours.true_peak_dbtp, *theirs)
    if read.agrees:
        return read, []
    message = (
        f"meters differ: {decimal(read.ours_lufs, 2)} LUFS, {decimal(read.ours_dbtp, 2)} dBTP; "
        f"pyloudnorm {decimal(read.theirs_lufs, 2)} LUFS, soxr {decimal(read.theirs_dbtp, 2)} dBTP"
    )
    return read, [mismatch("meters-differ", file, message)]
