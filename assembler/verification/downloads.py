"""Compare the tags and the Broadcast Wave chunks of download files with the manifest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from assembler.download.bwf import broadcast_chunks, differing_chunks
from assembler.download.formats import FACTS
from assembler.download.playing_levels import PlayingLevels
from assembler.download.tag_table import tag_values
from assembler.download.tags import read_tags
from assembler.dsp.meter import read_meter
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, mismatch
from assembler.finished.pcm import in_format
from assembler.manifest.model import Format
from assembler.metadata import TrackMetadata
from assembler.text import shorten
from assembler.verification.sound import sound_of


def tags(
    release: FinishedRelease, metadata: Sequence[TrackMetadata], name: Format, index: int
) -> Iterator[Finding]:
    """Compare every tag with the manifest, and its levels with the report."""
    path = release.track_file(name, release.tracks[index])
    container = FACTS[name].container
    levels = PlayingLevels(**release.report.formats[name].levels[index].as_json())
    expected = tag_values(release.manifest.release, metadata[index], container, levels)
    read = read_tags(release.folder / path, container)
    for field in sorted(expected.keys() | read.keys()):
        if read.get(field) != expected.get(field):
            found, right = (_quoted(values.get(field)) for values in (read, expected))
            message = f"its {field} is {found}, the manifest has {right}"
            yield mismatch("other-tag", path, message)
    if container == "wav":
        yield from _chunks(release, metadata[index], name, index)


def _chunks(
    release: FinishedRelease, metadata: TrackMetadata, name: Format, index: int
) -> Iterator[Finding]:
    """Compare Broadcast Wave chunks with the manifest, and their levels with the sound."""
    path, stretch = release.track_file(name, release.tracks[index]), in_format(release, name, index)
    reading = read_meter(sound_of(stretch, path).blocks(), stretch.rate_hz, 2)
    form = {"rate_hz": stretch.rate_hz, "bits": stretch.bits}
    file, details = release.folder / path, release.manifest.release
    expected = broadcast_chunks(details, metadata, reading, **form)
    for chunk in differing_chunks(file, expected):
        message = f"its `{chunk}` chunk does not match the manifest"
        yield mismatch("other-chunk", path, message)


def _quoted(values: tuple[str, ...] | None) -> str:
    return "`" + shorten(" | ".join(values)) + "`" if values else "nothing"
