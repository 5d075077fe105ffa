"""The metadata table: read back by csv and json; no cell is a formula, every fact in both."""

from __future__ import annotations

import csv
import io
import json
import re
from contextlib import redirect_stdout

import jsonschema
import pytest
from download.album import DETAILED, MANIFEST

from assembler.commands.main import main
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
        "artist_sort_name": "",
        "label": "Tidewrack Editions",
        "catalogue_number": "TWE-014",
        "barcode": "2000000000145",
        "release_date": "2027-04-16",
        "original_release_date": "",
        "genre": "Choral",
        "subgenre": "",
        "language": "el",
        "advisory": "",
        "compilation": "false",
        "territories": "world",
        "p_line": "2027 Tidewrack Editions",
        "c_line": "2027 Tidewrack Editions",
        "disc": "1",
        "track": "1",
        "title": "Χαμηλό φανάρι; ή Фонарь/Lantern",
        "version": "live",
        "full_title": "Χαμηλό φανάρι; ή Фонарь/Lantern (live)",
        "track_artist": "Falk/Brenn; Oren",
        "featuring": "",
        "remixers": "",
        "isrc": "AA6Q72700001",
        "iswc": "",
        "duration": "3:25",
        "music_duration_s": "205.4",
        "file_duration_s": "207.4",
        "composers": "Ines Falk; the elder | Åse Þórdís/Brenn | Ольга Ветрова",
        "lyricists": "Oda Brenn | =Oda",
        "arrangers": "Mattis Oren",
        "publisher": "Tidewrack Songs",
        "publishers": "Tidewrack Songs",
        "writers_ipi": "",
        "producers": "Ines Falk",
        "engineers": "Ines Falk | Oda; Brenn",
        "conductors": "Rune Vik",
        "orchestra": "",
        "soloists": "",
        "performers": "Mattis Oren (harmonium) | Nils Aker/Berg (alto recorder)",
        "track_language": "el",
        "lyrics_language": "el",
        "instrumental": "false",
        "track_advisory": "",
        "track_genre": "Choral",
        "work": "",
        "movement": "",
        "movement_number": "",
        "recorded": "1991-08-03",
        "recorded_at": "Net Loft, Halden",
        "recording_country": "",
        "track_original_release_date": "",
        "track_p_line": "2027 Tidewrack Editions",
        "file_flac-24": "01 a.flac",
        "file_mp3-320": "01 a.mp3",
    }
    assert (second["title"], second["version"], second["publisher"]) == ("Tide Table", "", "")
    assert second["track_artist"] == second["release_artist"]


@pytest.mark.parametrize("text", [MANIFEST, DETAILED], ids=["plain", "detailed"])
def test_json_has_the_same_data_with_lists(text, album_of):
    album = album_of(text)
    content = json.loads(release_json(album.manifest, album.metadata, FILES))
    assert list(content) == [*list(content)[:-1], "tracks"]
    for row, track in zip(rows_of(album), content["tracks"], strict=True):
        for name, value in {**content, **track}.items():
            if name in ("tracks", "files"):
                continue
            if name in ("publishers", "writers_ipi"):
                value = [one["name"] for one in value]
                row[name] = re.sub(r" \([^|]*\)", "", row[name])
            joined = SEPARATOR.join(value) if isinstance(value, list) else value
            texts = {"None": "", "True": "true", "False": "false"}
            assert row[name] == texts.get(str(joined), str(joined)), name
    assert content["tracks"][0]["lyricists"] == ["Oda Brenn", "=Oda"]
    assert content["tracks"][1]["files"] == {"flac-24": "02 b.flac", "mp3-320": "02 b.mp3"}


def test_what_shops_and_societies_ask_for(album_of):
    """Expected by hand from the manifest; its codes are invented."""
    album = album_of(DETAILED)
    content = json.loads(release_json(album.manifest, album.metadata, FILES))
    assert content["artist_sort_name"] == "Ferry Singers, Halden"
    assert (content["territories"], content["compilation"]) == (["NO", "SE"], True)
    first, second = content["tracks"]
    expected = {
        "title": "Χαμηλό φανάρι; ή Фонарь/Lantern", "version": "live", "featuring": ["Jorun Hald"],
        "full_title": "Χαμηλό φανάρι; ή Фонарь/Lantern (feat. Jorun Hald) [live]",
        "remixers": ["Kari Nymoen", "Nils Aker"], "conductors": ["Rune Vik", "Sørine Aakre"],
        "orchestra": ["Boathouse Band"], "soloists": ["Tove Lind"], "track_language": "no",
        "lyrics_language": "nn", "track_advisory": "explicit", "work": "Rounds for Low Water",
        "movement": "Ropewalk", "movement_number": 2, "iswc": "T-999.999.999-4",
        "publishers": [
            {"name": "Tidewrack Songs", "share": 60.0, "ipi": "99999999919"},
            {"name": "Net Loft Music", "share": 40.0, "ipi": None},
        ],
        "writers_ipi": [{"name": "Mattis Oren", "ipi": "99999999821"}],
        "track_p_line": "1994 Net Loft", "recording_country": "NO",
        "track_original_release_date": "1994-05-02", "instrumental": False,
    }  # fmt: skip
    assert {name: first[name] for name in expected} == expected
    assert (second["instrumental"], second["track_language"]) == (True, "zxx")
    assert (second["lyrics_language"], second["track_advisory"]) == (None, "none")
    assert (second["track_genre"], second["track_original_release_date"]) == ("Folk", "1991")
    assert rows_of(album)[0]["publishers"] == (
        "Tidewrack Songs (60 %, IPI 99999999919) | Net Loft Music (40 %)"
    )
    assert rows_of(album)[0]["writers_ipi"] == "Mattis Oren (IPI 99999999821)"


@pytest.fixture(scope="module")
def schema() -> dict:
    """What `assembler schema --release` prints."""
    with redirect_stdout(io.StringIO()) as printed:
        assert main(["schema", "--release"]) == 0
    return json.loads(printed.getvalue())


@pytest.mark.parametrize("text", [MANIFEST, DETAILED], ids=["plain", "detailed"])
def test_release_json_is_valid_by_the_schema_that_is_shipped(text, schema, album_of):
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    album = album_of(text)
    content = json.loads(release_json(album.manifest, album.metadata, FILES))
    assert list(validator.iter_errors(content)) == []
    assert set(schema["required"]) == set(content)
    assert set(schema["$defs"]["TrackTable"]["required"]) == set(content["tracks"][0])


@pytest.mark.parametrize(
    ("place", "wrong"),
    [
        ("barcode", "12"),
        ("compilation", None),
        ("territories", ["NOR"]),
        ("price", 9),
        ("tracks", 1),
    ],
)
def test_the_schema_refuses_other_content(place, wrong, schema, album):
    content = json.loads(release_json(album.manifest, album.metadata, FILES)) | {place: wrong}
    assert list(jsonschema.Draft202012Validator(schema).iter_errors(content))


def test_the_schema_describes_each_key(schema):
    for part in (schema, schema["$defs"]["TrackTable"], schema["$defs"]["Publisher"]):
        for name, field in part["properties"].items():
            assert len(field.get("description", "")) > 5, name


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
