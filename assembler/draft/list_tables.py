"""Read songs from a pasted or saved spreadsheet, separated by tabs, semicolons, bars or commas.

Quoted fields: RFC 4180 (from memory), with any of these delimiters.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from assembler.draft.list_fields import (
    EITHER_NUMBER_OR_TITLE,
    LIST_FIELDS,
    fields_of_head,
    heading_text,
)
from assembler.draft.mail_lines import running_numbers
from assembler.draft.song_parts import credited
from assembler.text import FORMULA_SIGNS, shorten

DELIMITERS = "\t;|,"
_GAPS = re.compile(r" {2,}|\t+")
"""Between columns that a mail shows as plain text."""
_GUARDED = re.compile(rf"''*[{re.escape(''.join(FORMULA_SIGNS))}]")
_MOST_OF = 0.8
_OF_A_SONG = frozenset((
    "number", "disc", "title", "version", "artist", "duration", "isrc", "composers", "lyricists",
    "arrangers", "publisher",
))  # fmt: skip
"""Fields that a song list needs; `import` uses more of them."""
_SWAPPED = ("isrc", "duration")
"""Fields whose columns are known by their content even below another's heading."""


@dataclass(frozen=True)
class TableRow:
    """A row of a table."""

    line: int
    """First line in the file."""
    cells: tuple[str, ...]

    @property
    def is_empty(self) -> bool:
        """Whether the row is empty, or a rule below the header."""
        return not any(cell.strip("-:= ") for cell in self.cells)


@dataclass(frozen=True)
class SongTable:
    """A table of songs."""

    roles: tuple[str | None, ...]
    """The meaning of each column; None where it is unknown."""
    rows: tuple[TableRow, ...]
    """One row per song."""
    left_out: tuple[TableRow, ...]
    """Rows that are not songs, without the header."""
    headings: tuple[str, ...]
    """The heading of each column; its number and first text where there is no header."""
    head_line: int
    """The line of the header, or of the first row."""
    swapped: tuple[str, ...] = ()
    """A remark for each column that was read by its content against its heading."""

    @property
    def unused(self) -> tuple[str, ...]:
        """The headings of columns that a song list does not need or that are unknown."""
        columns = zip(self.headings, self.roles, strict=True)
        return tuple(heading for heading, role in columns if heading and role not in _OF_A_SONG)

    def cell(self, row: TableRow, role: str) -> str:
        """Return a row's text of a role; empty where there is none."""
        columns = zip(row.cells, self.roles, strict=False)
        return "; ".join(cell for cell, of in columns if of == role and cell)


def song_table(lines: Sequence[str]) -> SongTable | None:
    """Return the table in some lines, if there is one.

    A header that names its columns decides; without one, columns of codes, times or numbers do, and
    every row must have the same number of fields. Spaces separate columns only below a header.
    """
    by_delimiter = {delimiter: _rows(lines, delimiter) for delimiter in DELIMITERS}
    headed = [table for rows in by_delimiter.values() if (table := _with_head(rows))]
    if headed:
        return max(headed, key=lambda table: sum(role is not None for role in table.roles))
    for delimiter, rows in by_delimiter.items():
        if rows and (table := _without_head(rows, delimiter)):
            return table
    split = (tuple(_GAPS.split(line.strip())) for line in lines)
    spaced = [TableRow(n, cells) for n, cells in enumerate(split, 1)]
    return _with_head([row for row in spaced if not row.is_empty])


def table_of_rows(rows: Sequence[TableRow]) -> SongTable | None:
    """Return the table in the rows of a spreadsheet, if there is one."""
    full = [row for row in rows if not row.is_empty]
    return _with_head(full) or (_without_head(full, "\t") if full else None)


def _rows(lines: Sequence[str], delimiter: str) -> list[TableRow]:
    if sum(delimiter in line for line in lines) < 2:
        return []
    reader = csv.reader((f"{line}\n" for line in lines), delimiter=delimiter, strict=True)
    rows, first = [], 1
    try:
        for cells in reader:
            texts = tuple(_without_guard(" ".join(cell.split())) for cell in cells)
            if delimiter == "|" and texts and texts[0] == "" and texts[-1] == "":
                texts = texts[1:-1]
            rows.append(TableRow(first, texts))
            first = reader.line_num + 1
    except csv.Error:
        return []
    return [row for row in rows if not row.is_empty]


def _without_guard(cell: str) -> str:
    """Return a cell without the apostrophe that keeps a spreadsheet from seeing a formula."""
    return cell[1:] if _GUARDED.match(cell) else cell


def _with_head(rows: Sequence[TableRow]) -> SongTable | None:
    for place, head in enumerate(rows):
        roles = fields_of_head(head.cells)
        either = [
            at
            for at, cell in enumerate(head.cells)
            if heading_text(cell) in EITHER_NUMBER_OR_TITLE and cell.strip()
        ]
        known = len([role for role in roles if role]) + len(either)
        even = all(len(row.cells) == len(head.cells) > 1 for row in rows[place:])
        if known < 2 and not (even and "title" in roles):
            continue
        below = rows[place + 1 :]
        for at in either:
            count = _share(below, at, str.isdecimal) >= _MOST_OF or "title" in roles
            role = "number" if count else "title"
            roles[at] = None if role in roles else role
        swapped = _by_content(roles, head, below)
        if (
            "title" in roles
            or {"isrc", "number"} <= set(roles)
            or {"isrc", "duration"} <= set(roles)
        ):
            return _sorted_out(roles, below, head.cells, head.line, rows[:place], swapped)
    return None


def _by_content(
    roles: list[str | None], head: TableRow, rows: Sequence[TableRow]
) -> tuple[str, ...]:
    """Correct the roles of columns that hold another's codes or times; return a remark for each.

    A column without a known heading may hold codes; two columns may have each other's headings.
    """
    remarks = []
    for role in _SWAPPED:
        name, holds = LIST_FIELDS[role].name, LIST_FIELDS[role].is_valid
        shares = [_share(rows, at, holds) for at in range(len(roles))]
        found = [at for at, share in enumerate(shares) if share >= _MOST_OF and roles[at] != role]
        if len(found) != 1:
            continue
        headed = roles.index(role) if role in roles else None
        if headed is None:
            fits = role == "isrc" and roles[found[0]] is None
        else:
            fits = not shares[headed] and _share(rows, headed, bool) > 0
            fits = fits and roles[found[0]] not in _SWAPPED
        if fits:
            if headed is not None:
                roles[headed] = roles[found[0]]
            roles[found[0]] = role
            heading = shorten(head.cells[found[0]]) or str(found[0] + 1)
            remarks.append(f"the column `{heading}` is read as {name}, by its content")
    return tuple(remarks)


def _without_head(rows: Sequence[TableRow], delimiter: str) -> SongTable | None:
    full = [row for row in rows if sum(map(bool, row.cells)) > 1]
    width = Counter(len(row.cells) for row in full or rows).most_common(1)[0][0]
    own = [row for row in full if len(row.cells) == width]
    fits = len(own) == len(rows) if delimiter in ",|" else len(own) >= _MOST_OF * len(full)
    if width < 2 or len(own) < 2 or not fits:
        return None
    columns = range(width)
    roles = [_role_by_content(own, at) for at in columns]
    texts = [at for at, role in enumerate(roles) if role is None and _share(own, at, bool) > 0]
    if not texts or not any(roles):
        return None
    roles[texts[0]] = "title"
    headings = tuple(f"{at + 1} ({own[0].cells[at]})" if own[0].cells[at] else "" for at in columns)
    others = [row for row in rows if row not in own]
    return _sorted_out(roles, own, headings, own[0].line, others)


def _role_by_content(rows: Sequence[TableRow], at: int) -> str | None:
    for role in ("isrc", "duration", "iswc"):
        if _share(rows, at, LIST_FIELDS[role].is_valid) >= _MOST_OF:
            return role
    if _share(rows, at, lambda cell: set(credited(cell)) == {"composers"}) >= _MOST_OF:
        return "composers"
    cells = [f"{row.cells[at]}. x" for row in rows]
    short = all(len(row.cells[at]) <= 4 for row in rows)
    return "number" if short and len(running_numbers(cells)) == len(cells) else None


def _share(rows: Sequence[TableRow], at: int, holds: Callable[[str], bool]) -> float:
    """Return the share of a column's non-empty cells that meet a condition."""
    cells = [row.cells[at] for row in rows if at < len(row.cells) and row.cells[at]]
    return sum(map(holds, cells)) / len(cells) if cells else 0.0


def _sorted_out(
    roles: Sequence[str | None],
    rows: Sequence[TableRow],
    headings: tuple[str, ...],
    head_line: int,
    above: Sequence[TableRow],
    swapped: tuple[str, ...] = (),
) -> SongTable:
    table = SongTable(tuple(roles), tuple(rows), (), headings, head_line, swapped)
    songs = tuple(_songs(table))
    lines = {row.line for row in songs}
    left_out = tuple(row for row in (*above, *rows) if row.line not in lines)
    return replace(table, rows=songs, left_out=left_out)


def _songs(table: SongTable) -> Iterator[TableRow]:
    """Yield the rows that are songs: those with a title, or with a code where no column has titles.

    A row without a delimiter is above or below the table; where most rows have a number or a code,
    a row without one is a sum or a note.
    """
    named = "title" if "title" in table.roles else "isrc"
    titled = [row for row in table.rows if table.cell(row, named)]
    filled = {
        role: sum(bool(table.cell(row, role)) for row in titled) for role in ("number", "isrc")
    }
    required = [role for role, count in filled.items() if count > len(titled) / 2]
    for row in titled:
        is_song = not required or any(table.cell(row, role) for role in required)
        if is_song and len(row.cells) > 1 and not any(row.cells[len(table.roles) :]):
            yield row
