"""Read a song list as it arrives: pasted from a mail, quoted, or saved from a spreadsheet.

`draft` and `split` share this reader. What it does not understand never becomes a title: it is
reported with its line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

from assembler.draft.list_tables import SongTable, TableRow, song_table, table_of_rows
from assembler.draft.listed_song import ListedSong, ListRemark, not_understood
from assembler.draft.mail_lines import (
    MailLine,
    lines_of,
    running_numbers,
    song_lines,
    without_number,
    without_quote_marks,
)
from assembler.draft.song_parts import (
    SongParts,
    is_dotted_time,
    isrc_in_cell,
    leading_time,
    names_in,
    song_parts,
    time_in_cell,
)
from assembler.draft.whole_list import order_remarks, with_full_names, with_lengths, without_sum
from assembler.text import shorten
from assembler.text_files import OutsideFile

__all__ = ["ListRemark", "ListedSong", "SongList", "read_song_list", "song_list"]

MOST_BYTES = 1_000_000
MOST_LINES = 5_000
MOST_LETTERS = 1_000
"""Of a line of text."""
MOST_ROW_LETTERS = 20_000
"""Of a table's row, which may name many people."""
"""Of a line; titles are shorter."""
_NAMED = {
    "duration": "a time",
    "number": "a track number",
    "disc": "a disc number",
    "isrc": "an ISRC",
}


@dataclass(frozen=True)
class SongList:
    """The songs of a list, and remarks on what was not understood."""

    songs: tuple[ListedSong, ...] = ()
    remarks: tuple[ListRemark, ...] = ()
    table: SongTable | None = None
    """The table that the songs were read from; None for the lines of a mail."""

    def remarks_of(self, path: Path) -> list[str]:
        """Return each remark as a line for a terminal, with its line in the file."""
        places = (f"{path}:{remark.line}" if remark.line else path for remark in self.remarks)
        return [f"{at}: {remark.message}" for at, remark in zip(places, self.remarks, strict=True)]


def read_song_list(path: Path) -> SongList:
    """Read the file of a song list, in whatever encoding it was saved.

    Raises
    ------
    FindingsError
        The file can't be read, is too long or is not text.
    """
    return _titled(read_listed(OutsideFile(path, "song list", MOST_BYTES)))


def read_listed(file: OutsideFile) -> SongList:
    """Read the songs of a text file, also those of a table that has codes but no titles.

    Raises
    ------
    FindingsError
        As for `read_song_list`.
    """
    text, encoding = file.read_any_text()
    if len(text.splitlines()) > MOST_LINES:
        raise file.refusal("too-long", f"more than {MOST_LINES} lines")
    listed = song_list(text)
    if encoding == "UTF-8" or text.isascii():
        return listed
    remark = ListRemark(0, f"read as {encoding}: check the letters of the titles")
    return replace(listed, remarks=(remark, *listed.remarks))


def song_list(text: str) -> SongList:
    """Read the songs of a list's text.

    Running numbers are removed where the lines are numbered 1, 2, 3 (again from 1 on another side);
    a title such as "1999" or "7 Fathoms" keeps its own. Times that rise from 0:00 are the starts of
    songs: each lasts until the next.

    Examples
    --------
    >>> for song in song_list("Side A:\\n1. Low Lantern - 4:12\\n2. Tide Table (3:05)").songs:
    ...     print(song.title, song.duration_s)
    Low Lantern 252
    Tide Table 185
    """
    lines = text.splitlines()
    rows, giants = _no_longer_than(MOST_ROW_LETTERS, lines)
    table = song_table([without_quote_marks(row) for row in rows])
    if table:
        return _whole_list(_from_table(table), giants)
    lines, giants = _no_longer_than(MOST_LETTERS, lines)
    return _whole_list(_from_lines(lines_of(lines)), giants)


def _no_longer_than(most: int, lines: Sequence[str]) -> tuple[list[str], list[ListRemark]]:
    """Return lines with empty ones in place of those that are too long, and remarks on these."""
    remarks = [not_understood(n, x[:most]) for n, x in enumerate(lines, 1) if len(x) > most]
    return [line if len(line) <= most else "" for line in lines], remarks


def list_of_rows(rows: Sequence[TableRow]) -> SongList:
    """Read the songs of a spreadsheet's rows; no songs where they are no table."""
    table = table_of_rows(rows)
    return _whole_list(_from_table(table), []) if table else SongList()


def _whole_list(listed: SongList, giants: Sequence[ListRemark]) -> SongList:
    songs, sums = without_sum(with_lengths(listed.songs))
    songs, remarks = with_full_names(songs)
    remarks += sums
    remarks += giants
    remarks += order_remarks(songs)
    in_order = sorted((*listed.remarks, *remarks), key=lambda remark: remark.line)
    return replace(listed, songs=tuple(songs), remarks=tuple(in_order))


def _titled(listed: SongList) -> SongList:
    """Return a list without songs that have no title, as in a table of codes alone."""
    without = [
        not_understood(song.line, song.isrc or "") for song in listed.songs if not song.title
    ]
    songs = tuple(song for song in listed.songs if song.title)
    return replace(listed, songs=songs, remarks=(*listed.remarks, *without))


def _from_lines(lines: Sequence[MailLine]) -> SongList:
    parts = [song_parts(line.text) for line in lines]
    times_first = [leading_time(line.text) is not None for line in lines]
    timed = [p.duration_s is not None for p in parts]
    if sum(times_first) > max(1, sum(timed)):
        timed = times_first
    chosen, left_out = song_lines(lines, timed)
    begun = [leading_time(line.text) for line in chosen]
    first = len(chosen) > 1 and all(begun)
    songs: list[ListedSong] = []
    remarks: list[ListRemark] = []
    few = 2 * sum(song_parts(line.text).duration_s is not None for line in chosen) < len(chosen)
    for line, time in zip(chosen, begun, strict=True):
        found = song_parts(time[1] if first and time else line.text)
        duration_s = time[0] if first and time else found.duration_s
        if few and is_dotted_time(line.text):
            found, duration_s = SongParts(line.text), None
            message = f"not read as a time: `{shorten(line.text)}`"
            remarks.append(ListRemark(line.line, message))
        if not found.title:
            remarks.append(not_understood(line.line, line.text))
            continue
        if found.rest:
            remarks.append(not_understood(line.line, found.rest))
        songs.append(
            ListedSong(
                found.title, duration_s, line.line, line.number, line.disc, found.isrc,
                composers=found.composers, lyricists=found.lyricists, arrangers=found.arrangers,
            )
        )  # fmt: skip
    for other in left_out:
        if not _add_to_song_above(songs, other):
            remarks.append(not_understood(other.number, other.text))
    remarks += _begun_again(songs, left_out)
    return SongList(tuple(songs), tuple(remarks))


def _add_to_song_above(songs: list[ListedSong], line: MailLine) -> bool:
    """Add a code or composers on a line of their own to the song above; return whether it fits."""
    found = song_parts(f"x {line.text}")
    above = next((at for at, song in enumerate(songs) if song.line == line.number - 1), None)
    if above is None or found.title != "x" or found.rest or found.duration_s is not None:
        return False
    new = {role: getattr(found, role) for role in ("isrc", "composers", "lyricists", "arrangers")}
    new = {role: value for role, value in new.items() if value}
    if not new or any(getattr(songs[above], role) for role in new):
        return False
    songs[above] = replace(songs[above], **new)
    return True


def _begun_again(songs: Sequence[ListedSong], left_out: Sequence[MailLine]) -> Iterator[ListRemark]:
    """Yield a remark where numbers restart below a line that is not a side, as in another list."""
    for before, song in pairwise(songs):
        between = [line for line in left_out if before.line < line.number < song.line]
        if song.number == 1 and between:
            head = shorten(between[-1].text)
            message = f"the numbers restart below `{head}`: check whether these are songs"
            yield ListRemark(song.line, message)


def _from_table(table: SongTable) -> SongList:
    remarks = [
        not_understood(row.line, ", ".join(filter(None, row.cells))) for row in table.left_out
    ]
    remarks += [
        ListRemark(table.head_line, f"not understood, not used: the column {shorten(name)}")
        for name in table.unused
    ]
    remarks += [ListRemark(table.head_line, remark) for remark in table.swapped]
    titles = [table.cell(row, "title") for row in table.rows]
    counted = running_numbers(titles)
    songs = []
    for place, row in enumerate(table.rows):
        number = counted[place] if counted else None
        title = without_number(titles[place]) if number is not None else titles[place]
        parts = song_parts(title)
        if "duration" in table.roles and parts.duration_s is not None:
            parts = SongParts(title)  # "Train at 9:30": the time has a column of its own
        elif parts.rest:
            remarks.append(not_understood(row.line, parts.rest))
        song, doubts = _song_of_row(table, row, parts, number)
        remarks += doubts
        if song.title or "title" not in table.roles:
            songs.append(song)
        else:
            remarks.append(not_understood(row.line, titles[place]))
    return SongList(tuple(songs), tuple(remarks), table)


def _song_of_row(
    table: SongTable, row: TableRow, parts: SongParts, number: int | None
) -> tuple[ListedSong, list[ListRemark]]:
    cells = {role: table.cell(row, role) for role in table.roles if role}
    duration_s = time_in_cell(cells.get("duration", ""))
    counted = re.search(r"\d+", cells.get("number", ""))
    disc = re.search(r"\d+", cells.get("disc", ""))
    isrc = isrc_in_cell(cells["isrc"]) if cells.get("isrc") else parts.isrc
    unread = {"duration": duration_s, "number": counted, "disc": disc, "isrc": isrc}
    doubts = [
        ListRemark(row.line, f"not understood as {_NAMED[role]}: `{shorten(cells[role])}`")
        for role, value in unread.items()
        if cells.get(role) and value is None
    ]
    people = {
        role: names_in(cells.get(role, "")) or getattr(parts, role)
        for role in ("composers", "lyricists", "arrangers")
    }
    song = ListedSong(
        parts.title,
        parts.duration_s if duration_s is None else duration_s,
        row.line,
        int(counted[0]) if counted else number,
        int(disc[0]) if disc else None,
        isrc,
        cells.get("artist") or None,
        cells.get("version") or None,
        cells.get("publisher") or None,
        cells=cells,
        **people,
    )
    return song, doubts
