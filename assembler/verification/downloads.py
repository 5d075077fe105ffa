"""Compare each download file's tags and chunks with the manifest, its length with the report."""

from __future__ import annotations

from collections.abc import Iterator

import soundfile

from assembler.download.bwf import broadcast_chunks, differing_chunks
from assembler.download.formats import facts_of
from assembler.download.gapless import declared_delay, gapless_item
from assembler.download.lossy import read_decoded
from assembler.download.playing_levels import PlayingLevels
from assembler.download.tag_table import tag_values
from assembler.download.tags import read_gapless_item, read_tags
from assembler.dsp.meter import read_meter
from assembler.file_names import for_libsndfile
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, mismatch
from assembler.finished.pcm import in_format
from assembler.sequence.frames import samples_at
from assembler.text import FRAMES_PER_SECOND, decimal, shorten
from assembler.verification.second_meter import near
from assembler.verification.sound import sound_of

PEAK_TOLERANCE_DB = 0.05


def tags(release: FinishedRelease, name: str, index: int) -> Iterator[Finding]:
    """Compare every tag with the manifest, and its levels with the report."""
    path = release.track_file(name, release.tracks[index])
    container = facts_of(name).container
    levels = PlayingLevels(**release.report.formats[name].levels[index].as_json())
    metadata = release.metadata[index]
    expected = tag_values(release.manifest.release, metadata, container, levels)
    read = read_tags(release.folder / path, container)
    for field in sorted(expected.keys() | read.keys()):
        if read.get(field) != expected.get(field):
            found, right = (_quoted(values.get(field)) for values in (read, expected))
            message = f"its {field} is {found}, the manifest has {right}"
            yield mismatch("other-tag", path, message)
    if container == "wav":
        yield from _chunks(release, name, index)


def _chunks(release: FinishedRelease, name: str, index: int) -> Iterator[Finding]:
    """Compare Broadcast Wave chunks with the manifest, and their levels with the sound."""
    stretch = in_format(release, name, index)
    reading = read_meter(sound_of(stretch, stretch.name).blocks(), stretch.rate_hz, 2)
    form = {"rate_hz": stretch.rate_hz, "bits": stretch.bits}
    details, metadata = release.manifest.release, release.metadata[index]
    expected = broadcast_chunks(details, metadata, reading, **form)
    for chunk in differing_chunks(stretch.path, expected):
        message = f"its `{chunk}` chunk does not match the manifest"
        yield mismatch("other-chunk", stretch.name, message)


def _quoted(values: tuple[str, ...] | None) -> str:
    return "`" + shorten(" | ".join(values)) + "`" if values else "nothing"


def coded_length(release: FinishedRelease, name: str, index: int) -> Iterator[Finding]:
    """Check the declared length of an encoded file; decode it, and check length and peak."""
    made, path = release.report.formats[name], release.track_file(name, release.tracks[index])
    file, container = release.folder / path, facts_of(name).container
    declared = declared_delay(file, container)
    yield from _length(release, name, index, "declares", declared.length_samples)
    if container == "mp4" and read_gapless_item(file) != gapless_item(declared):
        message = "its gapless item (iTunSMPB) does not match its edit list"
        yield mismatch("other-gapless", path, message)
    read = read_decoded(file, made.rates_hz[index], container)
    yield from _length(release, name, index, "decodes to", read.length_samples)
    if not facts_of(name).lossy:
        return
    peak, right = read.peak_dbtp, made.lossy[index].peak_after_dbtp
    if not near(peak, right, PEAK_TOLERANCE_DB):
        found, expected = decimal(peak, 2), decimal(right, 2)
        message = f"decodes to a true peak of {found} dBTP, the report has {expected} dBTP"
        yield mismatch("other-lossy-peak", path, message)


def plain_length(release: FinishedRelease, name: str, index: int) -> Iterator[Finding]:
    """Check a FLAC or WAV file's length."""
    path = release.track_file(name, release.tracks[index])
    length = soundfile.info(for_libsndfile(release.folder / path)).frames
    yield from _length(release, name, index, "has", length)


def _length(
    release: FinishedRelease, name: str, index: int, verb: str, samples: int
) -> Iterator[Finding]:
    track, rate_hz = release.tracks[index], release.report.formats[name].rates_hz[index]
    end = track.start_frame + track.file_frames
    right = samples_at(end, rate_hz) - samples_at(track.start_frame, rate_hz)
    # If a frame is not a whole number of samples, ends are rounded from the passage's start.
    if abs(samples - right) > (1 if rate_hz % FRAMES_PER_SECOND else 0):
        message = f"{verb} {samples} samples, the running order has {right}"
        yield mismatch("other-length", release.track_file(name, track), message)
