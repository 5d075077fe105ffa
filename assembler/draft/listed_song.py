"""A song of a list, and a remark on something in the list that a person should check."""

from __future__ import annotations

from dataclasses import dataclass

from assembler.text import shorten


@dataclass(frozen=True)
class ListedSong:
    """A song of a list.

    Attributes
    ----------
    title
        Title without number, time and code.
    duration_s
        Duration in the list; None where there is none.
    line
        Line in the list, from 1.
    number
        Running number; None where the list has none.
    disc
        Number of its disc; None where the list has none.
    isrc
        Twelve characters.
    artist, version, publisher
        Cells of a spreadsheet.
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
    """Something in a list that a person should check."""

    line: int
    message: str


def not_understood(line: int, text: str) -> ListRemark:
    """Return the remark that a text is not a song and is not used."""
    return ListRemark(line, f"not understood, not used: `{shorten(text)}`")
