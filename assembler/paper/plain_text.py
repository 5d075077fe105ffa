"""A sheet as plain text to copy from: a tab between columns, one line for each entry."""

from __future__ import annotations

from collections.abc import Iterator

from assembler.paper.blocks import Item, Paragraph, Row, Sheet, Subtitle, Verse


def sheet_text(sheet: Sheet) -> str:
    """Write a sheet as text with line feeds."""
    return "\n".join(_lines(sheet)) + "\n"


def _lines(sheet: Sheet) -> Iterator[str]:
    yield from (sheet.artist, sheet.title, sheet.name, "")
    for row in sheet.facts:
        yield from _item_lines(row)
    for block in sheet.blocks:
        yield from ("", "", block.title, "=" * len(block.title))
        for before, item in zip((None, *block.items), block.items, strict=False):
            if before is not None and _stands_apart(before, item):
                yield ""
            yield from _item_lines(item)


def _stands_apart(before: Item, item: Item) -> bool:
    return not isinstance(before, Subtitle) and not (
        isinstance(before, Row) and isinstance(item, Row)
    )


def _item_lines(item: Item) -> Iterator[str]:
    if isinstance(item, Row):
        yield "\t".join(text for text in (item.label, item.text, item.end) if text)
        yield from (f"\t{detail}" for detail in item.details)
    elif isinstance(item, Verse):
        yield from item.lines
    elif isinstance(item, Paragraph | Subtitle):
        yield item.text
