"""Export: the table for the label. An untouched export changes nothing when it is imported."""

from __future__ import annotations

import csv
import json
import tempfile
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tables.album import LENGTHS, TITLES, code, manifest

from assembler.errors import AssemblerError
from assembler.manifest import load
from assembler.tables.changes import plan_import
from assembler.tables.export import export_table

FORMS = ["csv", "tsv", "xlsx"]
LETTERS = st.characters(exclude_categories=("Cc", "Cs", "Cn", "Zl", "Zp"))
LINE = (
    st.text(LETTERS, min_size=1, max_size=30)
    | st.sampled_from(
        ["=1+1", "'=x", "@Falk", "-", "—", "Falk, Ines", "A; B", "A & B", "a,b", '"quoted"', "1999",
         "Low Lantern (K. Moen)", "1. Low Lantern", "Title", "ISRC", "3:05", "Oda\u00a0Brenn",
         "Sø\u0308rine", "Total", "x" * 300]
    )
).filter(lambda text: text.strip())  # fmt: skip
TRACK = st.fixed_dictionaries(
    {"title": LINE, "audio": st.just("a.wav")},
    optional={
        "version": LINE,
        "artist": LINE,
        "composers": st.lists(LINE, min_size=1, max_size=3),
        "lyricists": st.lists(LINE, min_size=1, max_size=3),
        "arrangers": st.lists(LINE, min_size=1, max_size=2),
        "publisher": LINE,
        "recorded": st.sampled_from(["1991", "1991-05", "1991-05-23"]),
        "recorded_at": LINE,
        "end": st.sampled_from(["0:31", "3:05", "1:10:00"]),
        "disc": st.just(1),
        "iswc": st.just("T-034.524.680-1"),
        "language": st.sampled_from(["no", "en", "zxx", "pt-BR"]),
        "lyrics_language": st.just("nn"),
        "instrumental": st.booleans(),
        "advisory": st.sampled_from(["explicit", "clean", "none"]),
        "genre": LINE,
        "featuring": st.lists(LINE, min_size=1, max_size=2),
        "remixers": st.lists(LINE, min_size=1, max_size=2),
        "conductor": st.lists(LINE, min_size=1, max_size=2),
        "work": LINE,
        "movement": LINE,
        "movement_number": st.integers(1, 99),
        "p_line": LINE,
        "recording_country": st.sampled_from(["NO", "SE"]),
        "original_release_date": st.sampled_from(["1991", "1991-05"]),
        "publishers": st.lists(
            st.fixed_dictionaries({"name": LINE}, optional={"ipi": st.just("99999999919")}),
            min_size=1,
            max_size=2,
        ),
        "version_of": st.integers(1, 9),
        "on": st.lists(st.sampled_from(["disc", "download"]), min_size=1, max_size=2),
        "writers_ipi": st.lists(
            st.fixed_dictionaries({"name": LINE, "ipi": st.just("99999999821")}),
            min_size=1,
            max_size=2,
        ),
    },
)

CREDIT = st.fixed_dictionaries(
    {"name": LINE, "roles": st.lists(LINE | st.just("drum"), min_size=1, max_size=2)},
    optional={"tracks": st.just([1])},
)


@settings(deadline=None, max_examples=60)
@given(tracks=st.lists(TRACK, min_size=1, max_size=6), form=st.sampled_from(FORMS), data=st.data())
def test_an_untouched_export_changes_nothing(tracks: list, form: str, data: st.DataObject) -> None:
    for n, track in enumerate(tracks):
        if data.draw(st.booleans()):
            track["isrc"] = code(n + 1)
    release = {"artist": "Halden Ferry Singers", "title": "Songs"}
    credits = data.draw(st.lists(CREDIT, max_size=3))
    content = {"release": release, "tracks": tracks, "credits": credits}
    text = json.dumps(content, ensure_ascii=False)
    with tempfile.TemporaryDirectory() as folder:
        source = load(manifest(Path(folder), text))
        path = Path(folder) / f"table.{form}"
        export_table(source, path)
        plan = plan_import(path, source, {}, may_replace=True)
    assert plan.changes == ()
    assert plan.ok


@pytest.mark.parametrize("form", FORMS)
def test_what_the_label_fills_in_comes_back(form: str, tmp_path: Path) -> None:
    source = load(manifest(tmp_path))
    path = tmp_path / f"table.{form}"
    export_table(source, path)
    if form == "xlsx":
        book = openpyxl.load_workbook(path)
        head = [str(cell.value) for cell in book["Tracks"][1]]
        for n in TITLES:
            book["Tracks"].cell(n + 1, head.index("ISRC") + 1).value = code(n)
        book.save(path)
    else:
        delimiter = {"csv": ",", "tsv": "\t"}[form]
        with path.open(encoding="utf-8-sig", newline="") as file:
            head, *rows = list(csv.reader(file, delimiter=delimiter))
        for n, cells in enumerate(rows, 1):
            cells[head.index("ISRC")] = code(n)
        with path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, delimiter=delimiter).writerows([head, *rows])
    plan = plan_import(path, source, {}, may_replace=False)
    assert {c.index + 1: c.after for c in plan.changes} == {n: code(n) for n in TITLES}
    assert {c.name for c in plan.written} == {"isrc"}
    assert all(match.is_applied for match in plan.matches)


def test_what_a_spreadsheet_sees(tmp_path: Path) -> None:
    """openpyxl reads the workbook: texts as texts, no formulas, durations as m:ss."""
    text = (
        "release: {artist: Halden Ferry Singers, title: Songs}\n"
        'tracks: [{title: "=HYPERLINK(1)", audio: a.wav, end: 3:05, composers: [A, B]}]\n'
    )
    path = tmp_path / "t.xlsx"
    empty = export_table(load(manifest(tmp_path, text)), path)
    sheet = openpyxl.load_workbook(path)["Tracks"]
    head, row = ([cell.value for cell in line] for line in sheet.iter_rows())
    found = dict(zip(head, row, strict=True))
    assert found["Title"] == "=HYPERLINK(1)"
    assert sheet.cell(2, head.index("Title") + 1).data_type == "s"
    assert (found["Duration"], found["Composers"], found["ISRC"]) == ("3:05", "A; B", None)
    assert empty == row.count(None)


def test_a_csv_holds_no_formula(tmp_path: Path) -> None:
    text = (
        "release: {artist: Halden Ferry Singers, title: Songs}\n"
        'tracks: [{title: "=HYPERLINK(1)", audio: a.wav}]\n'
    )
    path = tmp_path / "t.csv"
    export_table(load(manifest(tmp_path, text)), path)
    assert b",'=HYPERLINK(1)," in path.read_bytes()


def test_columns(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    export_table(load(manifest(tmp_path)), path)
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == [
        "No.", "Title", "Version", "Version of", "On", "Artist", "Duration", "ISRC", "Composers",
        "Lyricists", "Arrangers", "Publisher", "Recorded", "Recorded at", "ISWC",
        "Publisher shares", "Publisher IPI", "Writer IPI", "Language", "Lyrics language",
        "Instrumental", "Advisory", "Genre", "Featuring", "Remixers", "Conductor", "Orchestra",
        "Soloists", "Performers", "Work", "Movement", "Movement no.", "℗", "Country of recording",
        "First released",
    ]  # fmt: skip
    assert {int(row["No."]): row["Title"] for row in rows} == TITLES
    assert {int(row["No."]): row["Duration"] for row in rows} == LENGTHS


@pytest.mark.parametrize("name", ["t.ods", "t", "songs.yaml"])
def test_other_suffixes_are_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(AssemblerError, match=r"\.csv, \.tsv or \.xlsx"):
        export_table(load(manifest(tmp_path)), tmp_path / name)


def test_an_existing_file_stays(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(AssemblerError, match="exists already"):
        export_table(load(manifest(tmp_path)), path)
    assert path.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("form", FORMS)
def test_a_row_that_names_many_people_comes_back(form: str, tmp_path: Path) -> None:
    names = [f"{first} {last}" for first in ("Ines", "Oda") for last in ("Falk" * 30, "Brenn" * 30)]
    track = {"title": "Low Lantern", "audio": "a.wav", "composers": names, "lyricists": names}
    content = {"release": {"artist": "Halden Ferry Singers", "title": "Songs"}, "tracks": [track]}
    source = load(manifest(tmp_path, json.dumps(content)))
    path = tmp_path / f"table.{form}"
    export_table(source, path)
    plan = plan_import(path, source, {}, may_replace=True)
    assert plan.changes == ()
    assert plan.ok
