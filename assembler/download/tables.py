"""The release as a table: what a shop's or a distributor's form asks for, one row a track.

``release.csv``: RFC 4180 with commas, UTF-8, names of columns in the first row. Several values in
one cell are joined by `` | ``. A cell that a spreadsheet would take for a formula (it begins with
``=``, ``+``, ``-``, ``@``, one of these in full width, a tab or a line end) has an apostrophe in
front, which spreadsheets don't show; whoever reads the file by program takes it off.

``release.json``: the same facts, several values as lists, nothing guarded, keys in a fixed order.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

from assembler.download.tag_table import behind_the_desk, people_values, players
from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.text import duration_text

SEPARATOR = " | "
_FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

Files = Mapping[str, Sequence[str]]
"""For each format the names of its files, one a track in the release's order."""


def release_facts(manifest: Manifest) -> dict[str, Any]:
    """Return what is said of the release as a whole; None where nothing is."""
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


def track_facts(manifest: Manifest, words: TrackMetadata) -> dict[str, Any]:
    """Return what is said of a track; None or an empty list where nothing is."""
    track = manifest.tracks[words.running_number - 1]
    people = people_values(players(words), behind_the_desk(words))
    return {
        "disc": words.disc,
        "track": words.number,
        "title": track.title,
        "version": track.version,
        "full_title": words.title,
        "track_artist": words.artist,
        "isrc": words.isrc,
        "duration": duration_text(words.duration_s),
        "music_duration_s": round(float(words.duration_s), 3),
        "file_duration_s": round(float(words.file_duration_s), 3),
        "composers": list(words.composers),
        "lyricists": list(words.lyricists),
        "arrangers": list(people["arrangers"]),
        "publisher": words.publisher,
        "producers": list(people["producers"]),
        "engineers": list(people["engineers"]),
        "conductors": list(people["conductors"]),
        "performers": list(people["performers"]),
        "recorded": words.recorded,
        "recorded_at": words.recorded_at,
    }


def release_json(manifest: Manifest, words: Sequence[TrackMetadata], files: Files) -> str:
    """Return the table as JSON: an object with the release's facts and a list of tracks."""
    tracks = [
        track_facts(manifest, one) | {"files": {name: names[i] for name, names in files.items()}}
        for i, one in enumerate(words)
    ]
    content = release_facts(manifest) | {"tracks": tracks}
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def release_csv(manifest: Manifest, words: Sequence[TrackMetadata], files: Files) -> str:
    """Return the table as CSV, each track's row with the release's facts in front."""
    of_release = release_facts(manifest)
    rows = [
        of_release
        | track_facts(manifest, one)
        | {f"file_{name}": names[i] for name, names in files.items()}
        for i, one in enumerate(words)
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
    return f"'{text}" if text.startswith(_FORMULA_SIGNS) else text
