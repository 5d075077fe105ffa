"""Read a table of codes and credits: text with any separator, a mail, or an XLSX workbook.

Text goes through the reader of song lists (`draft/song_list.py`), and so do a workbook's rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from assembler.draft.list_fields import LIST_FIELDS
from assembler.draft.list_tables import SongTable
from assembler.draft.listed_song import ListedSong
from assembler.draft.song_list import MOST_BYTES, SongList, list_of_rows, read_listed
from assembler.errors import FindingsError
from assembler.findings import Finding, Severity
from assembler.tables.tracks import FILLED_FIELDS
from assembler.tables.workbook import Sheet, sheets_of
from assembler.text import shorten
from assembler.text_files import OutsideFile

MOST_WORKBOOK_BYTES = 10_000_000
MOST_SONGS = 1_000
"""A manifest has at most 999 tracks."""
_MATCHED_BY = frozenset(["number", "disc", "title", "duration"])
_OTHER_FORMS = {
    b"\xd0\xcf\x11\xe0": "an old Excel workbook (XLS)",
    b"%PDF": "a PDF",
    b"{\\rtf": "an RTF document",
}
_SAID_BETTER = ("not understood, not used: the column", "not understood as an ISRC")
"""Remarks of the reader in whose place there are findings with a remedy."""
_REMEDY = "save the table as XLSX, CSV or plain text"


@dataclass(frozen=True)
class CreditTable:
    """The rows of a table, and what was not understood."""

    path: Path
    rows: tuple[ListedSong, ...]
    """A song each; its line is its row's number."""
    findings: tuple[Finding, ...]

    def finding(self, severity: Severity, code: str, line: int, message: str) -> Finding:
        """Return a finding about a row."""
        return Finding(severity, code, "", str(self.path), line, message)

    @property
    def has_durations(self) -> bool:
        """Whether any row has a duration."""
        return any(row.duration_s is not None for row in self.rows)


def read_credit_table(path: Path) -> CreditTable:
    """Read a table in any of its forms.

    Raises
    ------
    FindingsError
        The file can't be read, or has no table of songs.
    """
    file = OutsideFile(path, "table", MOST_WORKBOOK_BYTES)
    content = file.read_bytes()
    form = next((name for sign, name in _OTHER_FORMS.items() if content.startswith(sign)), None)
    if form:
        raise _refused(path, "table-form", f"this is {form}: {_REMEDY}")
    if content.startswith(b"PK\x03\x04"):
        listed, others = _from_workbook(file, content)
    else:
        listed, others = read_listed(replace(file, most_bytes=MOST_BYTES)), ()
    table = CreditTable(path, listed.songs, ())
    if len(listed.songs) > MOST_SONGS:
        message = f"more than {MOST_SONGS} songs: keep only the rows of this release"
        raise _refused(path, "table-too-long", message)
    if not any(_has_values(song) for song in listed.songs):
        message = f"no table with codes or credits found: {_REMEDY}, with a heading for each column"
        raise _refused(path, "no-table", message)
    return replace(table, findings=(*others, *_remarks(table, listed)))


def _refused(path: Path, code: str, message: str, line: int = 0) -> FindingsError:
    return FindingsError([Finding("error", code, "", str(path), line, message)])


def _has_values(song: ListedSong) -> bool:
    if song.cells:
        return not song.cells.keys().isdisjoint(FILLED_FIELDS)
    return any((song.isrc, song.composers, song.lyricists, song.arrangers))


def _remarks(table: CreditTable, listed: SongList) -> Iterator[Finding]:
    head_line = listed.table.head_line if listed.table else 0
    columns = zip(listed.table.headings, listed.table.roles, strict=True) if listed.table else ()
    for heading, role in columns:
        if heading and not _is_used(role):
            what = "is not understood"
            if role:
                what = f"holds {LIST_FIELDS[role].name}, which has no key in the manifest"
            message = f"the column `{shorten(heading)}` {what}: left out"
            yield table.finding("note", "column-left-out", head_line, message)
    for remark in listed.remarks:
        if not remark.message.startswith(_SAID_BETTER):
            yield table.finding("note", "not-understood", remark.line, remark.message)


def _is_used(role: str | None) -> bool:
    return role in FILLED_FIELDS or role in _MATCHED_BY


def _from_workbook(file: OutsideFile, content: bytes) -> tuple[SongList, tuple[Finding, ...]]:
    sheets = [(sheet, list_of_rows(sheet.rows)) for sheet in sheets_of(file, content)]
    found = [(sheet, listed) for sheet, listed in sheets if listed.songs]
    if not found:
        return SongList(), ()
    (sheet, listed), *others = found
    if listed.table:
        _refuse_merged(file.path, sheet, listed.table)
    findings = (
        Finding(
            "warning", "other-sheet", "", str(file.path), 0,
            f"the sheet `{shorten(other.name)}` has a table too; only `{shorten(sheet.name)}` is "
            "read: save the other as a file of its own and import it",
        )
        for other, _ in others
    )  # fmt: skip
    return listed, tuple(findings)


def _refuse_merged(path: Path, sheet: Sheet, table: SongTable) -> None:
    lines = [table.head_line, *(row.line for row in table.rows)]
    for cells, first, last in sheet.merged:
        if any(first <= line <= last for line in lines):
            message = f"the cells {cells} are merged: split them, so that each row has its own"
            raise _refused(path, "merged-cells", message, first)
