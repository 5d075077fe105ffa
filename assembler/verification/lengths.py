"""Compare the declared and decoded length of each download file with the running order."""

from __future__ import annotations

from collections.abc import Iterator

import soundfile

from assembler.download.formats import FACTS
from assembler.download.gapless import declared_delay, gapless_item
from assembler.download.lossy import read_decoded
from assembler.download.tags import read_gapless_item
from assembler.file_names import for_libsndfile
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, mismatch
from assembler.finished.report_form import TrackReport
from assembler.manifest.model import Format
from assembler.sequence.frames import samples_at
from assembler.text import FRAMES_PER_SECOND, decimal

PEAK_TOLERANCE_DB = 0.05


def coded_file(
    release: FinishedRelease, name: Format, path: str, track: TrackReport
) -> Iterator[Finding]:
    """Check the declared length of an encoded file; decode it, and check length and peak."""
    made, index = release.report.formats[name], release.tracks.index(track)
    rate_hz = made.rates_hz[index]
    declared = declared_delay(release.folder / path, FACTS[name].container)
    yield from _length("declares", declared.length_samples, path, track, rate_hz)
    if FACTS[name].container == "mp4":
        item = read_gapless_item(release.folder / path)
        if item != gapless_item(declared):
            message = "its gapless item (iTunSMPB) does not match its edit list"
            yield mismatch("other-gapless", path, message)
    read = read_decoded(release.folder / path, rate_hz, FACTS[name].container)
    yield from _length("decodes to", read.length_samples, path, track, rate_hz)
    if not FACTS[name].lossy:
        return
    peak, right = read.peak_dbtp, made.lossy[index].peak_after_dbtp
    if (peak is None) != (right is None) or abs((peak or 0) - (right or 0)) > PEAK_TOLERANCE_DB:
        found, expected = decimal(peak, 2), decimal(right, 2)
        message = f"decodes to a true peak of {found} dBTP, the report has {expected} dBTP"
        yield mismatch("other-lossy-peak", path, message)


def lossless_file(
    release: FinishedRelease, name: Format, path: str, track: TrackReport
) -> Iterator[Finding]:
    """Check a FLAC or WAV file's length."""
    rate_hz = release.report.formats[name].rates_hz[release.tracks.index(track)]
    length = soundfile.info(for_libsndfile(release.folder / path)).frames
    yield from _length("has", length, path, track, rate_hz)


def _length(
    verb: str, samples: int, path: str, track: TrackReport, rate_hz: int
) -> Iterator[Finding]:
    right = samples_at(track.start_frame + track.file_frames, rate_hz)
    right -= samples_at(track.start_frame, rate_hz)
    # If a frame is not a whole number of samples, ends are rounded from the passage's start.
    if abs(samples - right) > (1 if rate_hz % FRAMES_PER_SECOND else 0):
        message = f"{verb} {samples} samples, the running order has {right}"
        yield mismatch("other-length", path, message)
