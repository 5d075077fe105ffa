"""Compare the length of every download file with the running order: as declared, and as decoded."""

from __future__ import annotations

from collections.abc import Iterator

import soundfile

from assembler.download.formats import FACTS
from assembler.download.gapless import declared_delay, gapless_item
from assembler.download.lossy import read_decoded
from assembler.download.tags import read_gapless_item
from assembler.file_names import for_libsndfile
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, disagreement
from assembler.finished.report_form import TrackReport
from assembler.manifest.model import Format
from assembler.sequence.frames import samples_at
from assembler.text import FRAMES_PER_SECOND

PEAK_TOLERANCE_DB = 0.05


def coded_file(
    release: FinishedRelease, name: Format, path: str, track: TrackReport
) -> Iterator[Finding]:
    """Check the length that a coded file declares; decode it, and check length and peak."""
    of_format, index = release.report["formats"][name], release.tracks.index(track)
    rate_hz = of_format["rates_hz"][index]
    declared = declared_delay(release.folder / path, FACTS[name].container)
    yield from _length("declares", declared.length_samples, path, track, rate_hz)
    if FACTS[name].container == "mp4":
        item = read_gapless_item(release.folder / path)
        if item != gapless_item(declared):
            message = "its gapless item (iTunSMPB) is not that of its edit list"
            yield disagreement("other-gapless", path, message)
    read = read_decoded(release.folder / path, rate_hz, FACTS[name].container)
    yield from _length("decodes to", read.length_samples, path, track, rate_hz)
    if not FACTS[name].lossy:
        return
    peak, right = read.peak_dbtp, of_format["lossy"][index]["peak_after_dbtp"]
    if (peak is None) != (right is None) or abs((peak or 0) - (right or 0)) > PEAK_TOLERANCE_DB:
        message = f"decodes to a true peak of {peak} dBTP, the report says {right}"
        yield disagreement("other-lossy-peak", path, message)


def lossless_file(
    release: FinishedRelease, name: Format, path: str, track: TrackReport
) -> Iterator[Finding]:
    """Check a FLAC or WAV file's length."""
    rate_hz = release.report["formats"][name]["rates_hz"][release.tracks.index(track)]
    length = soundfile.info(for_libsndfile(release.folder / path)).frames
    yield from _length("has", length, path, track, rate_hz)


def _length(
    verb: str, samples: int, path: str, track: TrackReport, rate_hz: int
) -> Iterator[Finding]:
    right = samples_at(track["start_frame"] + track["file_frames"], rate_hz)
    right -= samples_at(track["start_frame"], rate_hz)
    # Where a frame is no whole number of samples, ends are rounded from a passage's start.
    if abs(samples - right) > (1 if rate_hz % FRAMES_PER_SECOND else 0):
        message = f"{verb} {samples} samples, the running order asks for {right}"
        yield disagreement("other-length", path, message)
