"""The metadata table: read back by csv and json; no cell is a formula, every fact in both."""

from __future__ import annotations

import csv
import io
import json
import re

import pytest
from download.album import MANIFEST

from assembler.download.tables import SEPARATOR, release_csv, release_json

FILES = {"flac-24": ["01 a.flac", "02 b.flac"], "mp3-320": ["01 a.mp3", "02 b.mp3"]}


def rows_of(album) -> list[dict[str, str]]:
    text = release_csv(album.manifest, album.metadata, FILES)
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_a_row_has_the_fields_of_an_upload_form(album):
    first, second = rows_of(album)
    assert first == {
        "release_title": "Songs for Slack Water",
        "release_artist": "Halden Ferry Singers",
        "label": "Tidewrack Editions",
        "catalogue_number": "TWE-014",
        "barcode": "2000000000145",
        "release_date": "2027-04-16",
        "genre": "Choral",
        "language": "el",
        "p_line": "2027 Tidewrack Editions",
        "c_line": "2027 Tidewrack Editions",
        "disc": "1",
        "track": "1",
        "title": "Χαμηλό φανάρι; ή Фонарь/Lantern",
        "version": "live",
        "full_title": "Χαμηλό φανάρι; ή Фонарь/Lantern (live)",
        "track_artist": "Falk/Brenn; Oren",
        "isrc": "AA6Q72700001",
        "duration": "3:25",
        "music_duration_s": "205.4",
        "file_duration_s": "207.4",
        "composers": "Ines Falk; the elder | Åse Þórdís/Brenn | Ольга Ветрова",
        "lyricists": "Oda Brenn | =Oda",
        "arrangers": "Mattis Oren",
        "publisher": "Tidewrack Songs",
        "producers": "Ines Falk",
        "engineers": "Ines Falk | Oda; Brenn",
        "conductors": "Rune Vik",
        "performers": "Mattis Oren (harmonium) | Nils Aker/Berg (alto recorder)",
        "recorded": "1991-08-03",
        "recorded_at": "Net Loft, Halden",
        "file_flac-24": "01 a.flac",
        "file_mp3-320": "01 a.mp3",
    }
    assert (second["title"], second["version"], second["publisher"]) == ("Tide Table", "", "")
    assert second["track_artist"] == second["release_artist"]


def test_json_has_the_same_data_with_lists(album):
    text = release_json(album.manifest, album.metadata, FILES)
    content = json.loads(text)
    assert list(content) == [*list(content)[:-1], "tracks"]
    for row, track in zip(rows_of(album), content["tracks"], strict=True):
        for name, value in {**content, **track}.items():
            if name in ("tracks", "files"):
                continue
            joined = SEPARATOR.join(value) if isinstance(value, list) else value
            assert row[name] == ("" if joined is None else str(joined)), name
    assert content["tracks"][0]["lyricists"] == ["Oda Brenn", "=Oda"]
    assert content["tracks"][1]["files"] == {"flac-24": "02 b.flac", "mp3-320": "02 b.mp3"}


@pytest.mark.parametrize("sign", ["=", "+", "-", "@"])
def test_no_cell_is_a_formula(album_of, sign):
    text = MANIFEST.replace("title: Tide Table", f'title: "{sign}SUM(A1:A9)"')
    album = album_of(text)
    assert rows_of(album)[1]["title"] == f"'{sign}SUM(A1:A9)"
    for row in rows_of(album):
        assert not [value for value in row.values() if value.startswith(("=", "+", "-", "@"))]
    assert f'"{sign}SUM(A1:A9)"' in release_json(album.manifest, album.metadata, FILES)


def test_quotes_commas_and_line_ends_follow_rfc_4180(album_of):
    text = MANIFEST.replace("title: Tide Table", """title: 'Tide, "Table"'""")
    written = release_csv((album := album_of(text)).manifest, album.metadata, FILES)
    assert '"Tide, ""Table"""' in written
    assert written.count("\r\n") == 3
    assert not re.search(r"(?<!\r)\n", written)
    assert rows_of(album)[1]["title"] == 'Tide, "Table"'
