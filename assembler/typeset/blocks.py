"""The structure of a sheet: parts, titled blocks, items; the same for PDF and plain text."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby


@dataclass(frozen=True)
class Row:
    """One entry of a list."""

    text: str
    label: str = ""
    """In front of it: a track's number, the name of a field."""
    end: str = ""
    """At the end of its line: a duration, a code."""
    details: tuple[str, ...] = ()
    """Lines below it."""
    is_strong: bool = False


@dataclass(frozen=True)
class Subtitle:
    """A title inside a block."""

    text: str


@dataclass(frozen=True)
class Paragraph:
    """Running text."""

    text: str


@dataclass(frozen=True)
class Note:
    """A note to the sleeve designer, not for print."""

    text: str


@dataclass(frozen=True)
class Verse:
    """Lines that keep their breaks."""

    lines: tuple[str, ...]


@dataclass(frozen=True)
class BarcodeSymbol:
    """A barcode, drawn at nominal size; in plain text, its digits in groups."""

    code: str

    @property
    def text(self) -> str:
        """The digits in their groups: `2 000000 000145`, or `0 12345 67890 5` for a UPC-A."""
        code = self.code
        if len(code) == 12:
            return f"{code[0]} {code[1:6]} {code[6:11]} {code[11]}"
        return f"{code[0]} {code[1:7]} {code[7:]}"


@dataclass(frozen=True)
class SignOff:
    """A box to be filled in by hand: choices to tick, blanks to write on."""

    choices: tuple[str, ...]
    blanks: tuple[str, ...]


Item = Row | Subtitle | Paragraph | Note | Verse | BarcodeSymbol | SignOff


@dataclass(frozen=True)
class Block:
    """Items under a title."""

    title: str
    items: tuple[Item, ...]


@dataclass(frozen=True)
class Part:
    """Blocks for one place on the package, under the name of that place."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Sheet:
    """A kind of sheet: artist and title of a release, facts below them, then part after part."""

    artist: str
    title: str
    facts: tuple[Row, ...]
    name: str
    language: str | None
    parts: tuple[Part, ...]


def prose(text: str) -> tuple[Paragraph | Verse, ...]:
    """Split a text into paragraphs at its empty lines.

    A paragraph of long lines was wrapped by an editor and becomes running text; shorter lines, as
    of a list of names, keep their breaks.
    """
    items: list[Paragraph | Verse] = []
    for lines in stanzas(text):
        is_wrapped = all(len(line) >= _SHORTEST_WRAPPED_LINE for line in lines[:-1])
        items.append(Paragraph(" ".join(lines)) if is_wrapped else Verse(lines))
    return tuple(items)


def stanzas(text: str) -> tuple[tuple[str, ...], ...]:
    """Split a text into groups of lines at its empty lines."""
    lines = [line.strip() for line in text.splitlines()]
    return tuple(tuple(group) for has_text, group in groupby(lines, key=bool) if has_text)


_SHORTEST_WRAPPED_LINE = 50
