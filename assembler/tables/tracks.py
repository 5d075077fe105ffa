"""What the manifest has of each track, as a table's cells."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from assembler.audio import probe
from assembler.draft.list_fields import LIST_FIELDS, ListField
from assembler.errors import AssemblerError
from assembler.manifest import ManifestFile, Track
from assembler.manifest.codes import isrc_text
from assembler.tables.cells import (
    original_cell,
    performers_cell,
    publisher_cell,
    value_text,
    writers_cell,
)
from assembler.text import duration_text

FILLED_FIELDS: Mapping[str, ListField] = {
    name: field for name, field in LIST_FIELDS.items() if field.key
}
"""Fields that `import` can fill in: those with a key in the manifest."""


@dataclass(frozen=True)
class TrackRow:
    """A track of the manifest, as a row of a table."""

    index: int
    """Index in the manifest, from 0."""
    track: Track
    disc: int
    number_on_disc: int
    artist: str
    """Its own, or the release's."""
    duration_s: Fraction | None
    """None where it is not determined: without its file."""
    performers: str
    """The credited performers, with their roles."""
    version_of: str
    """The track that it is a version of, as `original_cell` writes it."""

    @property
    def number(self) -> int:
        """The number in the release, from 1."""
        return self.index + 1

    def cell(self, name: str) -> str:
        """Return the text of a field; empty where the manifest has none."""
        if name == "duration":
            return "" if self.duration_s is None else duration_text(self.duration_s)
        if name == "artist":
            return self.artist
        if LIST_FIELDS[name].key == "publishers":
            return publisher_cell(self.track, name)
        if name == "ipi":
            return writers_cell(self.track)
        value = self.number_on_disc if name == "number" else getattr(self, name, None)
        if value is None:
            value = getattr(self.track, LIST_FIELDS[name].key or name, None)
        return isrc_text(str(value)) if name == "isrc" and value else value_text(value)


def track_rows(source: ManifestFile, *, with_durations: bool) -> list[TrackRow]:
    """Return the tracks of a manifest; their files are opened only for durations."""
    return list(_rows(source, with_durations=with_durations))


def _rows(source: ManifestFile, *, with_durations: bool) -> Iterator[TrackRow]:
    disc, number_on_disc = 1, 0
    manifest = source.manifest
    for index, track in enumerate(manifest.tracks):
        if track.disc is not None and track.disc != disc and index:
            number_on_disc = 0
        disc = track.disc or disc
        number_on_disc += 1
        duration_s = _duration_s(source, track) if with_durations else None
        artist = manifest.artist_of(track)
        performers = performers_cell(manifest, index)
        original = original_cell(manifest, track)
        yield TrackRow(index, track, disc, number_on_disc, artist, duration_s, performers, original)


def _duration_s(source: ManifestFile, track: Track) -> Fraction | None:
    start_s = track.start or Fraction(0)
    if track.end is not None:
        return max(Fraction(0), track.end - start_s)
    try:
        lasts_s = probe(source.resolve(source.manifest.paths_of(track)[0])).duration_s
    except AssemblerError:
        return None
    return max(Fraction(0), lasts_s - start_s)
