"""Tables that can't be used: one clear line, exit code 1, and the manifest stays as it is."""

from __future__ import annotations

import io
import json
import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from desk import Desk
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.worksheet.worksheet import Worksheet
from tables.album import MANIFEST, TITLES, code, workbook

from assembler.draft.list_fields import LIST_FIELDS, field_of_heading
from assembler.errors import FindingsError
from assembler.tables.reading import read_credit_table
from assembler.tables.tracks import FILLED_FIELDS

ROWS = [["No", "Title", "ISRC"], *([n, TITLES[n], code(n)] for n in (1, 2, 3))]


def bomb(path: Path) -> bytes:
    """Return a workbook whose sheet unpacks to 200 MB of spaces."""
    content = io.BytesIO(workbook(path, ROWS))
    with (
        zipfile.ZipFile(content, "a", zipfile.ZIP_DEFLATED) as package,
        package.open("xl/worksheets/sheet9.xml", "w") as part,
    ):
        for _ in range(200):
            part.write(b" " * 1_000_000)
    return content.getvalue()


def lying_bomb(path: Path) -> bytes:
    """Return the bomb with 1000 bytes declared in the directory in place of 200 MB."""
    return bomb(path).replace((200_000_000).to_bytes(4, "little"), (1000).to_bytes(4, "little"))


def entities(path: Path) -> bytes:
    """Return a workbook whose texts are entities of entities."""
    content = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook(path, ROWS))) as old,
        zipfile.ZipFile(content, "w") as new,
    ):
        for name in old.namelist():
            text = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                start = b'<!DOCTYPE s [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
                text = text.replace(b"<worksheet", start + b"<worksheet", 1)
            new.writestr(name, text)
    return content.getvalue()


def edited_book(path: Path, edit: Callable[[Worksheet], None]) -> bytes:
    workbook(path, ROWS)
    book = openpyxl.load_workbook(path)
    edit(book.worksheets[0])
    book.save(path)
    return path.read_bytes()


def formula(sheet: Worksheet) -> None:
    sheet["C3"] = '="AA-6Q7-27-0000"&2'


def rows_of(count: int) -> bytes:
    return ("No,Title,ISRC\n" + "1,Low Lantern,x\n" * count).encode()


BAD: dict[str, tuple[Callable[[Path], bytes], str]] = {
    "empty": (lambda _: b"", "no table with codes or credits found"),
    "prose": (lambda _: b"Hi Kari,\n\nthe codes will follow.\n\nBest,\nTove\n", "no table"),
    "titles alone": (lambda _: b"1. Low Lantern\n2. Tide Table\n", "no table"),
    "binary": (lambda _: bytes(range(256)) * 40, "this is not text"),
    "a picture": (lambda _: b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(40), "this is not text"),
    "an old workbook": (lambda _: b"\xd0\xcf\x11\xe0" + bytes(600), "an old Excel workbook"),
    "a PDF": (lambda _: b"%PDF-1.7\n" + bytes(60), "this is a PDF"),
    "a damaged workbook": (lambda p: workbook(p, ROWS)[:-900], "damaged, or not an XLSX workbook"),
    "another ZIP": (lambda _: _zip("a.txt"), "damaged, or not an XLSX workbook"),
    "a ZIP bomb": (bomb, "more than 30 MB when it is unpacked"),
    "a ZIP bomb that declares less": (lying_bomb, "damaged, or not an XLSX workbook"),
    "entities": (entities, "no document type"),
    "a million rows": (lambda _: rows_of(1_000_000), "longer than"),
    "two thousand songs": (lambda _: rows_of(2_000), "more than 1000 songs"),
    "six thousand rows": (lambda _: rows_of(6_000), "more than 5000 lines"),
    "six thousand rows of a sheet": (
        lambda p: workbook(p, [["No", "Title", "ISRC"], *([n, "x", "y"] for n in range(6_000))]),
        "more than 5000 rows",
    ),
    "a formula": (lambda p: edited_book(p, formula), "cell C3 has a formula"),
    "merged cells": (lambda p: workbook(p, ROWS, merged="B2:B3"), "the cells B2:B3 are merged"),
    "an empty workbook": (lambda p: workbook(p, []), "no table"),
}  # fmt: skip


def _zip(name: str) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w") as package:
        package.writestr(name, "x")
    return content.getvalue()


@pytest.mark.parametrize("kind", BAD)
def test_one_clear_line(kind: str, desk: Desk, tmp_path: Path) -> None:
    make, words = BAD[kind]
    path = desk.folder / "table.csv"
    path.write_bytes(make(tmp_path / "made.xlsx"))
    manifest = desk.write(MANIFEST)
    line = desk.error_line("import", path, manifest)
    assert words in line
    assert "table.csv" in line
    assert manifest.read_text(encoding="utf-8") == MANIFEST


@pytest.mark.parametrize("command", ["import", "export"])
def test_missing_files(command: str, desk: Desk) -> None:
    manifest = desk.write(MANIFEST)
    assert "check the path" in desk.error_line("import", desk.folder / "gone.csv", manifest)
    table = desk.folder / "t.csv"
    assert "gone.yaml" in desk.error_line(command, table, desk.folder / "gone.yaml")
    assert not table.exists()
    assert "a folder" in desk.error_line("import", desk.folder, manifest)


def test_a_pipe_is_not_waited_for(desk: Desk) -> None:
    os.mkfifo(desk.folder / "pipe")
    line = desk.error_line("import", desk.folder / "pipe", desk.write(MANIFEST))
    assert "this is a pipe" in line


def test_merged_cells_above_the_table_are_harmless(tmp_path: Path) -> None:
    rows = [["Songs for Slack Water", None, None], *ROWS]
    path = tmp_path / "t.xlsx"
    workbook(path, rows, merged="A1:C1")
    assert [row.isrc for row in read_credit_table(path).rows] == ["AA6Q7270000" + c for c in "123"]


def test_a_second_sheet_with_a_table_is_reported(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    workbook(path, ROWS, ROWS)
    (finding,) = read_credit_table(path).findings
    assert (finding.severity, finding.code) == ("warning", "other-sheet")
    assert "`Sheet 2` has a table too" in finding.message


@settings(deadline=None, max_examples=50)
@given(place=st.integers(0, 10**6), change=st.binary(min_size=1, max_size=40))
def test_damaged_workbooks_are_read_or_refused(
    place: int, change: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("damaged") / "t.xlsx"
    content = workbook(path, ROWS)
    at = place % len(content)
    path.write_bytes(content[:at] + change + content[at + len(change) :])
    try:
        rows = read_credit_table(path).rows
    except FindingsError as error:
        assert len(error.findings) == 1
    else:
        assert all(row.line > 0 for row in rows)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (f"Title,ISRC\nLow Lantern,{code(1)}\nTide Table,{code(1)}\n",
         "rows 2 and 3 have the same ISRC"),
        (f"Title,ISRC\nLow Lantern,{code(2)}\n", "track 2 has it already"),
    ],
)  # fmt: skip
def test_an_isrc_for_two_tracks_stops_the_import(table: str, words: str, desk: Desk) -> None:
    text = MANIFEST.replace("audio: 2.wav\n", f"audio: 2.wav\n    isrc: {code(2)}\n")
    manifest = desk.write(text)
    path = desk.folder / "t.csv"
    path.write_text(table, encoding="utf-8")
    exit_code, document = desk.json("import", path, manifest)
    errors = [f for f in document["findings"] if f["severity"] == "error"]
    assert (exit_code, document["ok"], document["written"]) == (1, False, False)
    assert {error["code"] for error in errors} == {"duplicate-isrc"}
    assert any(words in error["message"] for error in errors)
    assert manifest.read_text(encoding="utf-8") == text


def test_columns_without_a_key_are_reported_and_left_out(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    head = "Title,ISRC,ISWC,Language,Composer,Share,Mood"
    path.write_text(f"{head}\nLow Lantern,{code(1)},T-034.524.680-1,no,Ines Falk,,calm\n", "utf-8")
    messages = [f.message for f in read_credit_table(path).findings]
    assert messages == [
        "the column `Share` holds Shares, which has no key in the manifest: left out",
        "the column `Mood` is not understood: left out",
    ]


@pytest.mark.parametrize("name", LIST_FIELDS)
def test_each_heading_names_its_field(name: str) -> None:
    headings = LIST_FIELDS[name].headings.split("|")
    assert [h for h in headings if field_of_heading(f" {h.upper()}: ") != name] == []
    assert field_of_heading(LIST_FIELDS[name].name) == name
    if LIST_FIELDS[name].key:
        assert name in FILLED_FIELDS


def test_json_of_an_import(desk: Desk) -> None:
    manifest = desk.write(MANIFEST)
    path = desk.folder / "t.csv"
    path.write_text(f"Title,ISRC\nLow Lantern,{code(1)}\nTide Tabel,{code(2)}\n", "utf-8")
    exit_code, document = desk.json("import", path, manifest, "--dry-run")
    assert (exit_code, document["ok"], document["written"]) == (0, True, False)
    assert document["changes"] == [
        {"track": 1, "row": 2, "key": "isrc", "before": None, "after": code(1), "kind": "fill"}
    ]
    assert [(row["row"], row["track"], row["applied"]) for row in document["rows"]] == [
        (2, 1, True), (3, 2, False)
    ]  # fmt: skip
    assert "add --match 3=2" in json.dumps(document)
    assert manifest.read_text(encoding="utf-8") == MANIFEST
    exit_code, document = desk.json("import", path, manifest, "--match", "3=2")
    assert (exit_code, document["written"], len(document["changes"])) == (0, True, 2)
    exit_code, document = desk.json("import", path, manifest, "--match", "3=2")
    assert (exit_code, document["written"], document["changes"]) == (0, False, [])


@pytest.mark.parametrize("match", ["9=1", "2=40", "3=0"])
def test_a_choice_that_does_not_exist(match: str, desk: Desk) -> None:
    path = desk.folder / "t.csv"
    path.write_text(f"Title,ISRC\nLow Lantern,{code(1)}\nBell,{code(4)}\n", "utf-8")
    line = desk.error_line("import", path, desk.write(MANIFEST), "--match", match)
    assert f"--match {match}: the " in line


def test_what_is_shown_fits_80_columns(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    path = desk.folder / "t.csv"
    rows = "".join(f"{title},{code(n)},Ines Falk\n" for n, title in TITLES.items())
    path.write_text(f"Title,ISRC,Composer\n{rows}Tide Tabel,{code(90)},Oda Brenn\n", "utf-8")
    exit_code, out, err = desk.run("import", path, desk.write(MANIFEST))
    tables = out[: out.index("warning")]
    assert (exit_code, err) == (0, "")
    assert max(map(len, tables.splitlines())) <= 80
    assert "AA-6Q7-27-00004" in tables
    assert "medium, left out" in tables
    assert "18 changes; written" in out
