"""The release as a table for a shop's or a distributor's form, one row per track.

``release.csv``: RFC 4180 with commas, UTF-8, column names in the first row. Several values in one
cell are joined by `` | ``. A cell that a spreadsheet would take for a formula (it begins with
``=``, ``+``, ``-``, ``@``, one of these in full width, a tab or a line end, also behind
apostrophes) has an apostrophe in
front, which spreadsheets don't show; a program that reads the file must remove it.

``release.json``: the same data, several values as lists, no apostrophes, keys in a fixed order.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

from assembler.download.tag_table import people_values, performers, production
from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.text import duration_text, without_formula

SEPARATOR = " | "

Files = Mapping[str, Sequence[str]]
"""The names of the files of each format, one per track in the release's order."""


def release_facts(manifest: Manifest) -> dict[str, Any]:
    """Return the metadata of the release as a whole; None where there is none."""
    release = manifest.release
    return {
        "release_title": release.title,
        "release_artist": release.artist,
        "label": release.label,
        "catalogue_number": release.catalogue_number,
        "barcode": release.barcode,
        "release_date": release.release_date,
        "genre": release.genre,
        "language": release.language,
        "p_line": release.p_line,
        "c_line": release.c_line,
    }


def track_facts(manifest: Manifest, metadata: TrackMetadata) -> dict[str, Any]:
    """Return the metadata of a track; None or an empty list where there is none."""
    track = manifest.tracks[metadata.running_number - 1]
    people = people_values(performers(metadata), production(metadata))
    return {
        "disc": metadata.disc,
        "track": metadata.number,
        "title": track.title,
        "version": track.version,
        "full_title": metadata.title,
        "track_artist": metadata.artist,
        "isrc": metadata.isrc,
        "duration": duration_text(metadata.duration_s),
        "music_duration_s": round(float(metadata.duration_s), 3),
        "file_duration_s": round(float(metadata.file_duration_s), 3),
        "composers": list(metadata.composers),
        "lyricists": list(metadata.lyricists),
        "arrangers": list(people["arrangers"]),
        "publisher": metadata.publisher,
        "producers": list(people["producers"]),
        "engineers": list(people["engineers"]),
        "conductors": list(people["conductors"]),
        "performers": list(people["performers"]),
        "recorded": metadata.recorded,
        "recorded_at": metadata.recorded_at,
    }


def release_json(manifest: Manifest, metadata: Sequence[TrackMetadata], files: Files) -> str:
    """Return the table as JSON: an object with the release's metadata and a list of tracks."""
    tracks = [
        track_facts(manifest, one) | {"files": {name: names[i] for name, names in files.items()}}
        for i, one in enumerate(metadata)
    ]
    content = release_facts(manifest) | {"tracks": tracks}
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def release_csv(manifest: Manifest, metadata: Sequence[TrackMetadata], files: Files) -> str:
    """Return the table as CSV; each track's row begins with the release's metadata."""
    release = release_facts(manifest)
    rows = [
        release
        | track_facts(manifest, one)
        | {f"file_{name}": names[i] for name, names in files.items()}
        for i, one in enumerate(metadata)
    ]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(rows[0])
    writer.writerows([_cell(value) for value in row.values()] for row in rows)
    return text.getvalue()


def _cell(value: str | float | list[str] | None) -> str:
    if value is None:
        return ""
    text = SEPARATOR.join(value) if isinstance(value, list) else str(value)
    return without_formula(text)
