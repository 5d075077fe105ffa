"""The release as a table for a shop's or a distributor's form, one row per track.

``release.csv``: RFC 4180 with commas, UTF-8, column names in the first row. Several values in one
cell are joined by `` | ``. A cell that a spreadsheet would take for a formula (it begins with
``=``, ``+``, ``-``, ``@``, one of these in full width, a tab or a line end, also behind
apostrophes) has an apostrophe in
front, which spreadsheets don't show; a program that reads the file must remove it.

``release.json``: the same data, several values as lists, no apostrophes, keys in a fixed order. Its
JSON Schema is `ReleaseTable` (``assembler schema --release``).
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from pydantic import StringConstraints

from assembler.download.tag_table import people_values, performers, production
from assembler.manifest import Manifest
from assembler.manifest.details import Advisory, Publisher, WriterIpi
from assembler.manifest.section import Section
from assembler.metadata import TrackMetadata, album_artist, is_compilation
from assembler.text import duration_text, without_formula

SEPARATOR = " | "
WORLD = "world"

Files = Mapping[str, Sequence[str]]
"""The names of the files of each format, one per track in the release's order."""
Texts = tuple[str, ...]
Date = Annotated[str, StringConstraints(pattern=r"^\d{4}(-\d\d(-\d\d)?)?$")]
Isrc = Annotated[str, StringConstraints(pattern=r"^[A-Z]{2}[A-Z0-9]{3}\d{7}$")]
Iswc = Annotated[str, StringConstraints(pattern=r"^T-\d{3}\.\d{3}\.\d{3}-\d$")]
Barcode = Annotated[str, StringConstraints(pattern=r"^\d{12,13}$")]
Territory = Annotated[str, StringConstraints(pattern=rf"^([A-Z]{{2}}|{WORLD})$")]


class TrackTable(Section):
    """A track as shops and collecting societies list it; null or an empty list: none."""

    disc: int
    """Number of its disc."""
    track: int
    """Its number on the disc."""
    title: str
    """Its title, without featured artists and version."""
    version: str | None
    """Its version, such as live."""
    full_title: str
    """Title, featured artists and version, as in the tags."""
    track_artist: str
    """The primary artist."""
    featuring: Texts
    """Featured artists."""
    remixers: Texts
    """Who remixed it."""
    isrc: Isrc | None
    """The recording's ISRC, without hyphens."""
    iswc: Iswc | None
    """The work's ISWC."""
    duration: str
    """Length of the music, m:ss."""
    music_duration_s: float
    """Length of the music in seconds."""
    file_duration_s: float
    """Length of the file in seconds: the music, and the gap after it."""
    composers: Texts
    """Who composed it."""
    lyricists: Texts
    """Who wrote the lyrics."""
    arrangers: Texts
    """Who arranged it."""
    publisher: str | None
    """Names of all publishers of the work."""
    publishers: tuple[Publisher, ...]
    """The publishers, each with its share in percent and its IPI name number."""
    writers_ipi: tuple[WriterIpi, ...]
    """IPI name numbers of its composers, lyricists and arrangers."""
    producers: Texts
    """Who produced it."""
    engineers: Texts
    """Recording, mix and mastering engineers."""
    conductors: Texts
    """Who conducts."""
    orchestra: Texts
    """The orchestra, choir or ensemble."""
    soloists: Texts
    """Who plays or sings solo."""
    performers: Texts
    """All performers but the conductor, each with role or instrument in brackets."""
    track_language: str | None
    """ISO 639 code of the language sung or spoken; zxx: none."""
    lyrics_language: str | None
    """ISO 639 code of the language of the lyrics."""
    instrumental: bool
    """Whether nothing is sung or spoken."""
    track_advisory: Advisory | None
    """explicit, clean or none."""
    track_genre: str | None
    """Its genre."""
    work: str | None
    """The work that it is a part of."""
    movement: str | None
    """Name of the movement."""
    movement_number: int | None
    """Number of the movement."""
    recorded: Date | None
    """When it was recorded."""
    recorded_at: str | None
    """Where it was recorded."""
    recording_country: Territory | None
    """ISO 3166-1 code of the country of recording."""
    track_original_release_date: Date | None
    """Date of its first release."""
    track_p_line: str | None
    """The recording's ℗ line, without the symbol."""
    files: dict[str, str]
    """Name of its file in each format."""


class ReleaseTable(Section):
    """A release as shops list it, with its tracks; null or an empty list: none."""

    release_title: str
    """The release's title."""
    release_artist: str
    """Its artist; Various Artists from four primary artists on."""
    artist_sort_name: str | None
    """The artist's name for alphabetical lists."""
    label: str | None
    """The label."""
    catalogue_number: str | None
    """Catalogue number."""
    barcode: Barcode | None
    """EAN-13 or UPC-A."""
    release_date: Date | None
    """Date of release."""
    original_release_date: Date | None
    """Date of the first release."""
    genre: str | None
    """Genre."""
    subgenre: str | None
    """Subgenre."""
    language: str | None
    """ISO 639 code of the language sung or spoken."""
    advisory: Advisory | None
    """Advisory of tracks that have none of their own."""
    compilation: bool
    """Whether it is a compilation."""
    territories: tuple[Territory, ...]
    """ISO 3166-1 codes of the countries where it may be sold, or world."""
    p_line: str | None
    """The ℗ line, without the symbol."""
    c_line: str | None
    """The © line, without the symbol."""
    tracks: tuple[TrackTable, ...]
    """The tracks in order."""


def release_table(
    manifest: Manifest, metadata: Sequence[TrackMetadata], files: Files
) -> ReleaseTable:
    """Return the metadata of a release and its tracks."""
    release = manifest.release
    own = {
        "release_title": release.title,
        "release_artist": album_artist(manifest),
        "artist_sort_name": release.sort_name,
        "compilation": is_compilation(manifest),
        "territories": release.territories or (WORLD,),
        "tracks": tuple(
            _track_table(manifest, one, {name: names[i] for name, names in files.items()})
            for i, one in enumerate(metadata)
        ),
    }
    return ReleaseTable(**(_same_names(ReleaseTable, release) | own))


def _track_table(
    manifest: Manifest, metadata: TrackMetadata, files: Mapping[str, str]
) -> TrackTable:
    track, details = manifest.tracks[metadata.running_number - 1], metadata.details
    people = people_values(performers(metadata), production(metadata))
    listed = ("arrangers", "producers", "engineers", "conductors", "performers")
    own = {
        "track": metadata.number,
        "title": track.title,
        "version": track.version,
        "full_title": metadata.title,
        "track_artist": metadata.artist,
        "duration": duration_text(metadata.duration_s),
        "music_duration_s": round(float(metadata.duration_s), 3),
        "file_duration_s": round(float(metadata.file_duration_s), 3),
        **{name: people[name] for name in listed},
        "remixers": people["remixers"],
        **{
            f"track_{name}": getattr(details, name)
            for name in ("language", "advisory", "genre", "original_release_date", "p_line")
        },
        "files": dict(files),
    }
    return TrackTable(
        **(_same_names(TrackTable, metadata) | _same_names(TrackTable, details) | own)
    )


def _same_names(table: type[Section], part: object) -> dict[str, Any]:
    """Return what a part has under the table's own names."""
    return {name: getattr(part, name) for name in table.model_fields if hasattr(part, name)}


def release_json(manifest: Manifest, metadata: Sequence[TrackMetadata], files: Files) -> str:
    """Return the table as JSON: an object with the release's metadata and a list of tracks."""
    content = release_table(manifest, metadata, files).model_dump(mode="json")
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def release_csv(manifest: Manifest, metadata: Sequence[TrackMetadata], files: Files) -> str:
    """Return the table as CSV; each track's row begins with the release's metadata."""
    table = release_table(manifest, metadata, files)
    release = {name: value for name, value in table if name != "tracks"}
    rows = [
        release
        | {name: value for name, value in track if name != "files"}
        | {f"file_{name}": file for name, file in track.files.items()}
        for track in table.tracks
    ]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(rows[0])
    writer.writerows([without_formula(_cell(value)) for value in row.values()] for row in rows)
    return text.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, tuple):
        return SEPARATOR.join(map(_cell, value))
    if isinstance(value, Publisher | WriterIpi):
        return value.text
    return str(value).lower() if isinstance(value, bool) else str(value)
