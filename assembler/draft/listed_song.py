"""A song of a list, and a remark on something in the list that a person should check."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from assembler.text import shorten


@dataclass(frozen=True)
class ListedSong:
    """A song of a list."""

    title: str
    """Title without number, time and code."""
    duration_s: int | None = None
    """Duration in the list; None where there is none."""
    line: int = 0
    """Line in the list, from 1."""
    number: int | None = None
    """Running number; None where the list has none."""
    disc: int | None = None
    """Number of its disc; None where the list has none."""
    isrc: str | None = None
    artist: str | None = None
    version: str | None = None
    publisher: str | None = None
    """Cells of a spreadsheet."""
    composers: tuple[str, ...] = ()
    lyricists: tuple[str, ...] = ()
    arrangers: tuple[str, ...] = ()
    cells: Mapping[str, str] = field(default_factory=dict, compare=False)
    """Text of each known column of a table, by field; empty for a line of a mail."""


@dataclass(frozen=True)
class ListRemark:
    """Something in a list that a person should check."""

    line: int
    message: str


def not_understood(line: int, text: str) -> ListRemark:
    """Return the remark that a text is not a song and is not used."""
    return ListRemark(line, f"not understood, not used: `{shorten(text)}`")
