"""A song of a list, and a remark on something in it that a person should look at."""

from __future__ import annotations

from dataclasses import dataclass

from assembler.text import shorten


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


def not_understood(line: int, text: str) -> ListRemark:
    """Return the remark that a text is no song and is not used."""
    return ListRemark(line, f"not understood, not used: `{shorten(text)}`")
