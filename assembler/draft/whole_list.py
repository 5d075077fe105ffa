"""Interpret a list as a whole: durations, a sum, names in brackets, the order of numbers."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from assembler.draft.listed_song import ListedSong, ListRemark, not_understood
from assembler.draft.song_parts import in_last_brackets, name_behind, names_in, perhaps_a_name
from assembler.text import duration_text, shorten

_STARTS_BY_S = 5
_LONGEST_SONG_S = 7200
_MOST_OF = 0.6
_OTHERS = 4
"""A last song as long as this many others together is a sum, whatever its title."""
_SUM = re.compile(r"\W*(?:total|sum|gesamt|totalt|all|running time|total time)\b.*", re.IGNORECASE)


def with_lengths(songs: Sequence[ListedSong]) -> list[ListedSong]:
    """Return songs with durations: from start times, and from m:ss that was read as h:mm."""
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


def without_sum(songs: list[ListedSong]) -> tuple[list[ListedSong], list[ListRemark]]:
    """Return songs without a last line whose time is the sum of the others."""
    times = [song.duration_s for song in songs if song.duration_s is not None]
    if len(times) < len(songs) or len(songs) < 3 or songs[-1].number is not None:
        return songs, []
    *others, last = times
    if abs(sum(others) - last) > len(others):
        return songs, []
    if len(others) < _OTHERS and not _SUM.fullmatch(songs[-1].title):
        return songs, []
    text = f"{songs[-1].title} {duration_text(last)}"
    return songs[:-1], [not_understood(songs[-1].line, text)]


def with_full_names(
    songs: Sequence[ListedSong],
) -> tuple[list[ListedSong], list[ListRemark]]:
    """Read names in brackets as composers where most titles have one; else add a remark."""
    split = [in_last_brackets(song.title) for song in songs]
    names = [at for at, two in enumerate(split) if two and perhaps_a_name(two[1])]
    credited = sum(bool(song.composers) for song in songs)
    most = len(names) > 1 and len(names) + credited >= _MOST_OF * len(songs)
    result, remarks = list(songs), list[ListRemark]()
    for song in songs:
        if name := name_behind(song.title):
            message = f"`{shorten(name)}` is kept in the title; it may be a composer"
            remarks.append(ListRemark(song.line, message))
    for at in names:
        title, name = split[at] or ("", "")
        if most and not songs[at].composers:
            result[at] = replace(songs[at], title=title, composers=names_in(name))
        elif not songs[at].composers:
            message = f"`({shorten(name)})` is kept in the title; it may be a composer"
            remarks.append(ListRemark(songs[at].line, message))
    return result, remarks


def order_remarks(songs: Sequence[ListedSong]) -> Iterator[ListRemark]:
    """Yield a remark where numbers go back without restarting, or skip one."""
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
            message = "the numbers are not in order here: the order of the lines is used instead"
        yield ListRemark(song.line, message)
