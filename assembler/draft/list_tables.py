"""Read songs from a pasted or saved spreadsheet, separated by tabs, semicolons, bars or commas.

Quoted fields: RFC 4180 (from memory), with any of these delimiters.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from assembler.draft.mail_lines import running_numbers
from assembler.draft.song_parts import credited, isrc_in_cell, time_in_cell

DELIMITERS = "\t;|,"
_HEADERS = {
    "title": "title|song|song title|track title|track name|name|titel|tittel|titre|sang|låt",
    "number": "no|nr|#|number|track no|track nr|track number|track #|pos|position|nummer|seq",
    "duration": "duration|time|length|dur|dauer|tid|lengde|durée|track length|track time|laufzeit",
    "isrc": "isrc|isrc code|isrc-code|isrc no|isrc number",
    "composers": "composer|composers|writer|writers|songwriter|songwriters|written by|composed by|"
    "author|authors|music|music by|komponist|komponister|composer(s)|writer(s)|songwriter(s)",
    "lyricists": "lyricist|lyricists|lyrics by|words|words by|text|lyricist(s)|tekst",
    "arrangers": "arranger|arrangers|arranged by|arranger(s)",
    "artist": "artist|artists|artist name|main artist|performer|performers|interpret|band",
    "publisher": "publisher|publishers|publishing|verlag|forlag",
    "version": "version|mix|version title|subtitle",
    "disc": "disc|cd|disk|volume|vol|disc no|disc number",
}
_ROLES = {name: role for role, names in _HEADERS.items() for name in names.split("|")}
_EITHER = frozenset(["track", "spor", "spur"])
"""Headings of a column of numbers or of titles."""
_MOST_OF = 0.8


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
    unknown: tuple[str, ...]
    """The heading of each unknown column."""
    head_line: int
    """The line of the header, or of the first row."""

    def cell(self, row: TableRow, role: str) -> str:
        """Return a row's text of a role; empty where there is none."""
        place = self.roles.index(role) if role in self.roles else len(row.cells)
        return row.cells[place] if place < len(row.cells) else ""


def song_table(lines: Sequence[str]) -> SongTable | None:
    """Return the table in some lines, if there is one.

    A header that names its columns decides; without one, columns of codes, times or numbers do, and
    every row must have the same number of fields.
    """
    for delimiter in DELIMITERS:
        rows = _rows(lines, delimiter)
        table = rows and (_with_head(rows) or _without_head(rows, delimiter))
        if table:
            return table
    return None


def _rows(lines: Sequence[str], delimiter: str) -> list[TableRow]:
    if sum(delimiter in line for line in lines) < 2:
        return []
    reader = csv.reader((f"{line}\n" for line in lines), delimiter=delimiter, strict=True)
    rows, first = [], 1
    try:
        for cells in reader:
            texts = tuple(" ".join(cell.split()) for cell in cells)
            if delimiter == "|" and texts and texts[0] == "" and texts[-1] == "":
                texts = texts[1:-1]
            rows.append(TableRow(first, texts))
            first = reader.line_num + 1
    except csv.Error:
        return []
    return [row for row in rows if not row.is_empty]


def _with_head(rows: Sequence[TableRow]) -> SongTable | None:
    for place, head in enumerate(rows):
        names = [re.sub(r"[.:*]+$", "", cell.lower()).strip() for cell in head.cells]
        roles = [_ROLES.get(name) for name in names]
        either = [at for at, name in enumerate(names) if name in _EITHER]
        known = len([role for role in roles if role]) + len(either)
        even = all(len(row.cells) == len(head.cells) > 1 for row in rows[place:])
        if known < 2 and not (even and "title" in roles):
            continue
        below = rows[place + 1 :]
        for at in either:
            count = _share(below, at, str.isdecimal) >= _MOST_OF or "title" in roles
            roles[at] = "number" if count else "title"
        if "title" in roles:
            once = [r if r and r not in roles[:at] else None for at, r in enumerate(roles)]
            unknown = tuple(
                cell for cell, r in zip(head.cells, once, strict=True) if cell and not r
            )
            return _sorted_out(once, below, unknown, head.line, rows[:place])
    return None


def _without_head(rows: Sequence[TableRow], delimiter: str) -> SongTable | None:
    full = [row for row in rows if sum(map(bool, row.cells)) > 1]
    width = Counter(len(row.cells) for row in full or rows).most_common(1)[0][0]
    own = [row for row in full if len(row.cells) == width]
    fits = len(own) == len(rows) if delimiter in ",|" else len(own) >= _MOST_OF * len(full)
    if width < 2 or len(own) < 2 or not fits:
        return None
    roles = [_role_by_content(own, at) for at in range(width)]
    texts = [at for at, role in enumerate(roles) if role is None and _share(own, at, bool) > 0]
    if not texts or not any(roles):
        return None
    roles[texts[0]] = "title"
    unknown = tuple(f"{at + 1} ({own[0].cells[at]})" for at in texts[1:])
    others = [row for row in rows if row not in own]
    return _sorted_out(roles, own, unknown, own[0].line, others)


def _role_by_content(rows: Sequence[TableRow], at: int) -> str | None:
    if _share(rows, at, lambda cell: isrc_in_cell(cell) is not None) >= _MOST_OF:
        return "isrc"
    if _share(rows, at, lambda cell: time_in_cell(cell) is not None) >= _MOST_OF:
        return "duration"
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
    unknown: tuple[str, ...],
    head_line: int,
    above: Sequence[TableRow],
) -> SongTable:
    table = SongTable(tuple(roles), tuple(rows), (), unknown, head_line)
    songs = tuple(_songs(table))
    lines = {row.line for row in songs}
    left_out = tuple(row for row in (*above, *rows) if row.line not in lines)
    return replace(table, rows=songs, left_out=left_out)


def _songs(table: SongTable) -> Iterator[TableRow]:
    """Yield the rows that are songs: those with a title.

    A row without a delimiter is above or below the table; where most rows have a number or a code,
    a row without one is a sum or a note.
    """
    titled = [row for row in table.rows if table.cell(row, "title")]
    filled = {
        role: sum(bool(table.cell(row, role)) for row in titled) for role in ("number", "isrc")
    }
    required = [role for role, count in filled.items() if count > len(titled) / 2]
    for row in titled:
        is_song = not required or any(table.cell(row, role) for role in required)
        if is_song and len(row.cells) > 1 and not any(row.cells[len(table.roles) :]):
            yield row
