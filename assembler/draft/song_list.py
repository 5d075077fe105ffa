"""A song list as it arrives: pasted from a mail, quoted, or saved from a spreadsheet.

There is one reader for `draft` and `split`. What it does not understand never becomes a title: it
is named with its line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

from assembler.draft.list_tables import Row, SongTable, song_table
from assembler.draft.mail_lines import (
    Line,
    lines_of,
    running_numbers,
    song_lines,
    without_number,
    without_quote_marks,
)
from assembler.draft.song_parts import (
    SongParts,
    in_last_brackets,
    is_dotted_time,
    leading_time,
    name_behind,
    names_in,
    perhaps_a_name,
    song_parts,
    time_in_cell,
)
from assembler.manifest.codes import parse_isrc
from assembler.manifest.times import shorten
from assembler.text_files import OutsideFile

MOST_BYTES = 1_000_000
MOST_LINES = 5_000
MOST_LETTERS = 1_000
"""Of a line: no title is longer."""
_STARTS_BY_S = 5
_LONGEST_SONG_S = 7200
_MOST_OF = 0.6
_NAMED = {
    "duration": "a time",
    "number": "a track number",
    "disc": "a disc number",
    "isrc": "an ISRC",
}


@dataclass(frozen=True)
class ListedSong:
    """A song of a list.

    Attributes
    ----------
    title
        Without number, time and code.
    duration_s
        What the list says of it; None where it says nothing.
    line
        Where it stands in the list, from 1.
    number
        Its running number; None where the list has none.
    disc
        The disc that it is listed on; None where the list names none.
    isrc
        Its 12 characters.
    artist, version, publisher
        As a spreadsheet has them.
    composers, lyricists, arrangers
        Names.
    """

    title: str
    duration_s: int | None = None
    line: int = 0
    number: int | None = None
    disc: int | None = None
    isrc: str | None = None
    artist: str | None = None
    version: str | None = None
    publisher: str | None = None
    composers: tuple[str, ...] = ()
    lyricists: tuple[str, ...] = ()
    arrangers: tuple[str, ...] = ()


@dataclass(frozen=True)
class ListRemark:
    """Something in a list that a person should look at."""

    line: int
    message: str


@dataclass(frozen=True)
class SongList:
    """The songs of a list, and what in it was not understood."""

    songs: tuple[ListedSong, ...] = ()
    remarks: tuple[ListRemark, ...] = ()

    def remarks_of(self, path: Path) -> list[str]:
        """Return each remark as a line for a terminal, with its place in the file."""
        return [
            f"{path}:{remark.line}: {remark.message}"
            if remark.line
            else f"{path}: {remark.message}"
            for remark in self.remarks
        ]


def read_song_list(path: Path) -> SongList:
    """Read the file of a song list, in whatever encoding it was saved.

    Raises
    ------
    FindingsError
        It can't be read, is too long or no text.
    """
    file = OutsideFile(path, "song list", MOST_BYTES)
    text, encoding = file.read_any_text()
    if len(text.splitlines()) > MOST_LINES:
        raise file.refusal("too-long", f"more than {MOST_LINES} lines")
    listed = song_list(text)
    if encoding == "UTF-8" or text.isascii():
        return listed
    remark = ListRemark(0, f"read as {encoding}: look at the letters of the titles")
    return replace(listed, remarks=(remark, *listed.remarks))


def song_list(text: str) -> SongList:
    """Read the songs of a list's text.

    Running numbers come off where the lines count 1, 2, 3 (again from 1 on another side); a title
    such as "1999" or "7 Fathoms" keeps its own. Times that rise from 0:00 are where songs begin:
    each lasts until the next.

    Examples
    --------
    >>> for song in song_list("Side A:\\n1. Low Lantern - 4:12\\n2. Tide Table (3:05)").songs:
    ...     print(song.title, song.duration_s)
    Low Lantern 252
    Tide Table 185
    """
    lines = text.splitlines()
    giants = [
        _not_understood(n, x[:MOST_LETTERS])
        for n, x in enumerate(lines, 1)
        if len(x) > MOST_LETTERS
    ]
    lines = [line if len(line) <= MOST_LETTERS else "" for line in lines]
    table = song_table([without_quote_marks(line) for line in lines])
    listed = _from_table(table) if table else _from_lines(lines_of(lines))
    songs, remarks = _with_full_names(_with_lengths(listed.songs))
    remarks += giants
    remarks += _order_remarks(songs)
    found = sorted((*listed.remarks, *remarks), key=lambda remark: remark.line)
    return SongList(tuple(songs), tuple(found))


def _from_lines(lines: Sequence[Line]) -> SongList:
    parts = [song_parts(line.text) for line in lines]
    times_first = [leading_time(line.text) is not None for line in lines]
    timed = [p.duration_s is not None for p in parts]
    if sum(times_first) > max(1, sum(timed)):
        timed = times_first
    chosen, left_out = song_lines(lines, timed)
    begun = [leading_time(line.text) for line in chosen]
    first = len(chosen) > 1 and all(begun)
    songs, remarks = [], [_not_understood(line.number, line.text) for line in left_out]
    few = 2 * sum(song_parts(line.text).duration_s is not None for line in chosen) < len(chosen)
    for line, time in zip(chosen, begun, strict=True):
        found = song_parts(time[1] if first and time else line.text)
        duration_s = time[0] if first and time else found.duration_s
        if few and is_dotted_time(line.text):
            found, duration_s = SongParts(line.text), None
            remarks.append(ListRemark(line.line, f"no time read: `{shorten(line.text)}`"))
        if not found.title:
            remarks.append(_not_understood(line.line, line.text))
            continue
        if found.rest:
            remarks.append(_not_understood(line.line, found.rest))
        songs.append(
            ListedSong(
                found.title, duration_s, line.line, line.number, line.disc, found.isrc,
                composers=found.composers, lyricists=found.lyricists, arrangers=found.arrangers,
            )
        )  # fmt: skip
    return SongList(tuple(songs), tuple(remarks))


def _from_table(table: SongTable) -> SongList:
    remarks = [
        _not_understood(row.line, ", ".join(filter(None, row.cells))) for row in table.left_out
    ]
    remarks += [
        ListRemark(table.head_line, f"not understood, not used: the column {shorten(name)}")
        for name in table.unknown
    ]
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
            remarks.append(_not_understood(row.line, parts.rest))
        song, doubts = _song_of_row(table, row, parts, number)
        remarks += doubts
        if song.title:
            songs.append(song)
        else:
            remarks.append(_not_understood(row.line, titles[place]))
    return SongList(tuple(songs), tuple(remarks))


def _song_of_row(
    table: SongTable, row: Row, parts: SongParts, number: int | None
) -> tuple[ListedSong, list[ListRemark]]:
    cells = {role: table.cell(row, role) for role in table.roles if role}
    duration_s = time_in_cell(cells.get("duration", ""))
    counted = re.search(r"\d+", cells.get("number", ""))
    disc = re.search(r"\d+", cells.get("disc", ""))
    isrc = parts.isrc
    try:
        isrc = parse_isrc(cells["isrc"]) if cells.get("isrc") else isrc
    except ValueError:
        isrc = None
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
        **people,
    )
    return song, doubts


def _with_lengths(songs: Sequence[ListedSong]) -> list[ListedSong]:
    """Make lengths of times that rise from 0:00, and m:ss of what a spreadsheet took for h:mm."""
    known = [song.duration_s for song in songs if song.duration_s is not None]
    rising = len(known) == len(songs) > 1 and all(a < b for a, b in pairwise(known))
    if rising and known[0] <= _STARTS_BY_S:
        lengths: Iterator[int | None] = iter([*(b - a for a, b in pairwise(known)), None])
        return [replace(song, duration_s=next(lengths)) for song in songs]
    if known and max(known) >= _LONGEST_SONG_S and not any(time_s % 60 for time_s in known):
        return [
            replace(song, duration_s=None if song.duration_s is None else song.duration_s // 60)
            for song in songs
        ]
    return list(songs)


def _with_full_names(
    songs: Sequence[ListedSong],
) -> tuple[list[ListedSong], list[ListRemark]]:
    """Take names in brackets for composers where most titles have one; else say so."""
    split = [in_last_brackets(song.title) for song in songs]
    names = [at for at, two in enumerate(split) if two and perhaps_a_name(two[1])]
    credited = sum(bool(song.composers) for song in songs)
    most = len(names) > 1 and len(names) + credited >= _MOST_OF * len(songs)
    found, remarks = list(songs), list[ListRemark]()
    for song in songs:
        if name := name_behind(song.title):
            message = f"`{shorten(name)}` stays in the title; it may be a composer"
            remarks.append(ListRemark(song.line, message))
    for at in names:
        title, name = split[at] or ("", "")
        if most and not songs[at].composers:
            found[at] = replace(songs[at], title=title, composers=names_in(name))
        elif not songs[at].composers:
            message = f"`({shorten(name)})` stays in the title; it may be a composer"
            remarks.append(ListRemark(songs[at].line, message))
    return found, remarks


def _order_remarks(songs: Sequence[ListedSong]) -> Iterator[ListRemark]:
    """Say where numbers go back without beginning again, or leave one out."""
    numbers = [song.number for song in songs]
    begins_again = numbers.count(1) > 1
    for before, song in pairwise(songs):
        if before.number is None or song.number in (None, before.number + 1):
            continue
        if song.number == 1 and begins_again:
            continue
        if (song.number or 0) > before.number:
            message = f"number {song.number} follows {before.number}: is a song missing?"
        else:
            message = "the numbers are not in order here: the order of the lines is used"
        yield ListRemark(song.line, message)


def _not_understood(line: int, text: str) -> ListRemark:
    return ListRemark(line, f"not understood, not used: `{shorten(text)}`")
