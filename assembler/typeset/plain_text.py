"""Plain text: sheets to copy from, with tabs between columns; lines of a fixed font."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from functools import lru_cache

from assembler.typeset.blocks import (
    BarcodeSymbol,
    Block,
    Item,
    Note,
    Paragraph,
    Row,
    Sheet,
    SignOff,
    Subtitle,
    Verse,
)
from assembler.typeset.typeset import filled_lines

COLUMNS = 100
"""Width of sheets and reports in a fixed font."""


def sheet_text(sheet: Sheet) -> str:
    """Return a sheet as text with line feeds.

    Titles of parts are underlined with ``=``, titles of blocks with ``-``.
    """
    return "\n".join(_lines(sheet)) + "\n"


def titled(title: str, sign: str) -> tuple[str, str]:
    """Return a title and its underline."""
    return title, sign * len(title)


def _lines(sheet: Sheet) -> Iterator[str]:
    yield from (sheet.name, sheet.artist, sheet.title, "")
    for row in sheet.facts:
        yield from _item_lines(row, "\t")
    for part in sheet.parts:
        yield from ("", "", "", *titled(part.title, "="))
        for block in part.blocks:
            yield from ("", "", *block_lines(block))


def block_lines(block: Block, between: str = "\t") -> Iterator[str]:
    """Yield a block's title and its items; `between` is set between the texts of a row."""
    yield from titled(block.title, "-")
    for before, item in zip((None, *block.items), block.items, strict=False):
        if before is not None and _stands_apart(before, item):
            yield ""
        yield from _item_lines(item, between)


def _stands_apart(before: Item, item: Item) -> bool:
    return not isinstance(before, Subtitle) and not (
        isinstance(before, Row) and isinstance(item, Row)
    )


def _item_lines(item: Item, between: str) -> Iterator[str]:
    if isinstance(item, Row):
        yield between.join(text for text in (item.label, item.text, item.end) if text)
        yield from (f"\t{detail}" for detail in item.details)
    elif isinstance(item, Verse):
        yield from item.lines
    elif isinstance(item, SignOff):
        yield from (f"[ ] {choice}" for choice in item.choices)
        yield "\t".join(f"{blank} {_TO_WRITE_ON}" for blank in item.blanks)
    elif isinstance(item, Paragraph | Note | Subtitle | BarcodeSymbol):
        yield item.text


_TO_WRITE_ON = 20 * "_"


def cells(text: str) -> int:
    """Return the number of columns of a text in a fixed font (Unicode Standard Annex 11)."""
    return sum(_cells_of(sign) for sign in text)


@lru_cache(4096)
def _cells_of(sign: str) -> int:
    if unicodedata.category(sign) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(sign) in "WF" else 1


def wrapped(text: str, columns: int) -> list[str]:
    """Break a text into lines of at most some columns; an empty text has no lines."""
    text = " ".join(text.split())
    return filled_lines(text, columns, cells) if text else []
