"""Songs from a list as it is pasted from a mail: numbers, dashes and times come off the titles."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from assembler.text_files import OutsideFile

MOST_BYTES = 1_000_000
_QUOTED = re.compile(r"^\s*(?:>\s*)+")
_BULLET = re.compile(r"^\s*[-–—•*·]\s+")
_NUMBER = re.compile(r"^\s*(?:track\s*)?(\d{1,3})\s*(?:[.):–—-]|\s)\s*(?=\S)", re.IGNORECASE)
_PUNCTUATED = re.compile(r"^\s*(?:track\s*)?\d{1,3}\s*[.):]\s+(?=\S)", re.IGNORECASE)
_CLOCK = (
    r"(?:(\d):)?(\d{1,2})(?:[:.]|['’′]\s?|\s?m(?:in)?\.?\s?)([0-5]\d)"
    r"(?:\"|″|”|''|’’|\s?s(?:ec)?)?"
)
_TIME = re.compile(
    rf"(?:(?:[\s,;|]|\.{{2,}}|…)+[-–—]?\s*|\s*[(\[]\s*){_CLOCK}(?:\s*(?:min)?\s*[)\]])?\s*$"
)
_TIME_FIRST = re.compile(rf"^\s*[(\[]?{_CLOCK}[)\]]?\s*(?:[-–—|]\s*)?(?=\S)")
_STARTS_BY_S = 5


@dataclass(frozen=True)
class ListedSong:
    """A song of a list.

    Attributes
    ----------
    title
        Without number and time.
    duration_s
        What the list says of it; None where it says nothing.
    """

    title: str
    duration_s: int | None = None


def song_list_text(path: Path) -> str:
    """Read the file of a song list, in whatever encoding it was saved.

    Raises
    ------
    FindingsError
        It can't be read, is too long or no text.
    """
    return OutsideFile(path, "song list", MOST_BYTES).read_any_text()[0]


def listed_songs(text: str) -> list[ListedSong]:
    """Read one song from each line that has any.

    Running numbers are taken off where the lines count 1, 2, 3 (again from 1 on another side); a
    title such as "1999" or "7 Fathoms" keeps its own. Lines above such a count are a greeting or a
    heading; what follows it after an empty line is a signature. Times that rise from 0:00 are
    where songs begin: each lasts until the next.

    Examples
    --------
    >>> for song in listed_songs("Side A:\\n1. Low Lantern - 4:12\\n2. Tide Table (3:05)"):
    ...     print(song.title, song.duration_s)
    Low Lantern 252
    Tide Table 185
    """
    lines = [_BULLET.sub("", _QUOTED.sub("", line)).strip() for line in text.splitlines()]
    lines = _without_heads(lines)
    numbers = [_number(line) for line in lines]
    counted = len(lines) > 1 and _count_up(numbers)
    pattern = _NUMBER if counted else _PUNCTUATED
    return _timed([pattern.sub("", line) for line in lines])


def titles_in(text: str) -> list[str]:
    """Read the titles alone.

    Examples
    --------
    >>> titles_in("1. Low Lantern - 4:12\\n2) Tide Table (3:05)\\n3 - Bell Buoy")
    ['Low Lantern', 'Tide Table', 'Bell Buoy']
    """
    return [song.title for song in listed_songs(text)]


def _number(line: str) -> int | None:
    match = _NUMBER.match(line)
    return int(match[1]) if match else None


def _count_up(numbers: Sequence[int | None]) -> bool:
    """Tell whether numbers count from 1, perhaps more than once."""
    if not numbers or numbers[0] != 1:
        return False
    return all(b is not None and b in (1, (a or 0) + 1) for a, b in pairwise(numbers))


def _without_heads(lines: Sequence[str]) -> list[str]:
    """Take empty lines out, and what stands above or far below lines that count 1, 2, 3."""
    numbers = [_number(line) for line in lines]
    counted = [n for n in numbers if n is not None]
    if not (2 in counted and _count_up(counted)):
        return [line for line in lines if line]
    last = max(place for place, n in enumerate(numbers) if n is not None)
    ended = "" in lines[last:]
    end = lines.index("", last) if ended else len(lines)
    kept: list[str] = []
    unnumbered: list[str] = []
    for line, n in zip(lines[:end], numbers[:end], strict=True):
        if n is None:
            unnumbered += [line] if line else []
            continue
        kept += [] if n == 1 else unnumbered
        kept.append(line)
        unnumbered = []
    return kept + unnumbered


def _timed(lines: Sequence[str]) -> list[ListedSong]:
    before = [_TIME_FIRST.match(line) for line in lines]
    if len(lines) > 1 and all(before):
        songs = [
            ListedSong(_unquoted(line[match.end() :]), _seconds(match))
            for line, match in zip(lines, before, strict=True)
            if match
        ]
    else:
        songs = [_song(line) for line in lines]
    times = [song.duration_s for song in songs]
    known = [time_s for time_s in times if time_s is not None]
    rising = len(known) == len(songs) > 1 and all(a < b for a, b in pairwise(known))
    if rising and known[0] <= _STARTS_BY_S:
        lengths: Iterator[int | None] = iter([*(b - a for a, b in pairwise(known)), None])
        return [ListedSong(song.title, length) for song, length in zip(songs, lengths, strict=True)]
    return songs


def _song(line: str) -> ListedSong:
    match = _TIME.search(line)
    title = _unquoted(line[: match.start()]) if match else _unquoted(line)
    return ListedSong(title, _seconds(match) if match else None) if title else ListedSong(line)


def _seconds(match: re.Match[str]) -> int:
    hours, minutes, seconds = (int(part or 0) for part in match.groups())
    return hours * 3600 + minutes * 60 + seconds


def _unquoted(title: str) -> str:
    quoted = re.fullmatch(r'["“„]([^"“”„]+)["”“]', title.strip())
    return (quoted[1] if quoted else title).strip()
