"""A sheet as pages to print: A4, one column, every line placed by its measured width."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm

from assembler.paper.blocks import Block, Item, Paragraph, Row, Sheet, Subtitle, Verse
from assembler.paper.fonts import Weight
from assembler.paper.pdf_document import new_document
from assembler.paper.pdf_fonts import page_runs, width_em
from assembler.paper.typeset import filled_lines, in_printed_order, joined, reads_right_to_left

PAGE_WIDTH, PAGE_HEIGHT = A4
LEFT, RIGHT, TOP, FOOT = 24 * mm, PAGE_WIDTH - 24 * mm, PAGE_HEIGHT - 22 * mm, 26 * mm
FOOTER = 14 * mm
COLUMN = RIGHT - LEFT
GAP = 5.5
"""Between texts on one line: more would look like two columns to what copies text out of a PDF."""
HANGING = 4 * mm
LARGEST_WHOLE_BLOCK = 0.35
"""A block that takes no more of a page than this is not broken."""


@dataclass(frozen=True)
class Type:
    """How a text is set."""

    size_pt: float
    leading_pt: float
    weight: Weight = "regular"
    grey: float = 0.0


BODY = Type(9.5, 14)
MINOR = replace(BODY, grey=0.42)
ARTIST = Type(13, 18)
TITLES = (Type(24, 30, "bold"), Type(17, 22, "bold"), Type(12, 16, "bold"))
BLOCK_TITLE = Type(11.5, 17, "bold")
SUBTITLE = Type(9.5, 14, "bold")
FOOTER_TYPE = Type(7.5, 10, grey=0.42)


@dataclass(frozen=True)
class Placed:
    """A text on its line, in the order of printing."""

    x_pt: float
    text: str
    type: Type


@dataclass(frozen=True)
class Line:
    """One line of a page.

    Attributes
    ----------
    placed
        Its texts, in the order of reading.
    height_pt
        From the line above.
    space_pt
        Above it, except at the top of a page.
    keeps
        It stands on one page with the next line.
    entry
        The block that it opens.
    """

    placed: tuple[Placed, ...]
    height_pt: float
    space_pt: float = 0.0
    keeps: bool = False
    entry: str = ""


def write_pdf(path: Path, sheet: Sheet) -> None:
    """Write a sheet as a PDF whose bytes depend on its words alone."""
    pages = _pages(_sheet_lines(sheet))
    canvas = new_document(path, sheet)
    for number, lines in enumerate(pages, 1):
        _draw_page(canvas, lines)
        _draw_footer(canvas, sheet, f"Page {number} of {len(pages)}")
        canvas.showPage()
    canvas.save()


def _set(
    text: str, x_pt: float, width_pt: float, kind: Type, hanging_pt: float = 0
) -> list[Placed]:
    """Set a text into a width, each line at its place; right-to-left text stands at the right."""
    shaped = joined(text)
    right_to_left = reads_right_to_left(shaped)
    room = width_pt - hanging_pt
    lines = filled_lines(shaped, room, size_pt=kind.size_pt, weight=kind.weight)
    placed = []
    for i, line in enumerate(lines):
        shown = in_printed_order(line, right_to_left=right_to_left)
        indent = hanging_pt if i else 0
        if right_to_left:
            indent = width_pt - _width(shown, kind) - indent
        placed.append(Placed(x_pt + indent, shown, kind))
    return placed


def _lines(placed: Iterable[Placed], space_pt: float = 0) -> list[Line]:
    lines = [Line((part,), part.type.leading_pt) for part in placed]
    return [replace(lines[0], space_pt=space_pt), *lines[1:]]


def _kept(lines: Sequence[Line], *, with_next: bool) -> list[Line]:
    """Keep lines on one page, and with what follows where that is asked."""
    return [replace(line, keeps=with_next or i < len(lines) - 1) for i, line in enumerate(lines)]


def _sheet_lines(sheet: Sheet) -> Iterator[Line]:
    yield from _lines(_set(sheet.artist, LEFT, COLUMN, ARTIST))
    title = TITLES[min(len(sheet.title) // 60, len(TITLES) - 1)]
    yield from _lines(_set(sheet.title, LEFT, COLUMN, title), 2)
    yield from _lines(_set(sheet.name, LEFT, COLUMN, MINOR), 2)
    yield from _item_lines(sheet.facts, 10)
    for block in sheet.blocks:
        yield from _block_lines(block)


def _block_lines(block: Block) -> Iterator[Line]:
    title = _lines(_set(block.title, LEFT, COLUMN, BLOCK_TITLE), 24)
    title[0] = replace(title[0], entry=block.title)
    lines = [*_kept(title, with_next=True), *_item_lines(block.items, 5)]
    whole = _height(lines) <= (TOP - FOOT) * LARGEST_WHOLE_BLOCK
    yield from _kept(lines, with_next=False) if whole else lines


def _height(lines: Iterable[Line]) -> float:
    return sum(line.height_pt + line.space_pt for line in lines)


def _item_lines(items: Sequence[Item], first_space_pt: float) -> Iterator[Line]:
    label_pt = max((_label_width(item) for item in items if isinstance(item, Row)), default=0)
    above: Item | None = None
    for item in items:
        space = 0.0 if above else first_space_pt
        if isinstance(item, Row):
            yield from _row_lines(item, label_pt, space or _row_space(above, item))
        elif isinstance(item, Subtitle):
            lines = _lines(_set(item.text, LEFT, COLUMN, SUBTITLE), space or 9)
            yield from _kept(lines, with_next=True)
        elif isinstance(item, Paragraph):
            yield from _running(_lines(_set(item.text, LEFT, COLUMN, BODY), space or 6))
        else:
            yield from _verse_lines(item, space or 6)
        above = item


def _row_space(above: Item | None, row: Row) -> float:
    grouped = isinstance(above, Row) and not row.details and not above.details
    return 1 if grouped and row.label else 3 if isinstance(above, Row) and above.label else 1


def _label_width(row: Row) -> float:
    return _width(row.label, MINOR) + GAP if row.label else 0


def _width(text: str, kind: Type) -> float:
    return width_em(text, kind.weight) * kind.size_pt


def _row_lines(row: Row, label_pt: float, space_pt: float) -> list[Line]:
    x = LEFT + label_pt
    placed = _set(row.text, x, RIGHT - x, BODY, 0 if label_pt else HANGING)
    lines = _lines(_beside_label(placed, x) if label_pt else placed, space_pt)
    if row.label:
        label = Placed(x - _label_width(row), row.label, MINOR)
        lines[0] = replace(lines[0], placed=(label, *lines[0].placed))
    if row.end:
        lines = _with_end(lines, row.end, x)
    for detail in row.details:
        lines += _lines(_beside_label(_set(detail, x, RIGHT - x, MINOR), x))
    return _kept(lines, with_next=False)


def _beside_label(placed: Sequence[Placed], x_pt: float) -> list[Placed]:
    """Move text that stands at the right to where the column begins, beside its label."""
    spare = min(part.x_pt for part in placed) - x_pt
    return [replace(part, x_pt=part.x_pt - spare) for part in placed]


def _with_end(lines: Sequence[Line], end: str, x_pt: float) -> list[Line]:
    """Put the end of a row behind its text, or below where there is no room for it.

    Set in a column of its own, far from the text, it would copy out of a PDF in the wrong order.
    """
    *_, last = lines[-1].placed
    after = last.x_pt + _width(last.text, last.type) + GAP
    ends = _beside_label(_set(end, x_pt, RIGHT - x_pt, MINOR), x_pt)
    if len(ends) == 1 and after + _width(ends[0].text, MINOR) <= RIGHT:
        behind = replace(ends[0], x_pt=after)
        return [*lines[:-1], replace(lines[-1], placed=(*lines[-1].placed, behind))]
    return [*lines, *_lines(ends)]


def _verse_lines(verse: Verse, space_pt: float) -> list[Line]:
    placed = [p for line in verse.lines for p in _set(line, LEFT, COLUMN, BODY, HANGING)]
    return _kept(_lines(placed, space_pt), with_next=False)


def _running(lines: Sequence[Line]) -> list[Line]:
    """Keep the first two and the last two lines of a paragraph together."""
    return [
        replace(line, keeps=i == 0 or i == len(lines) - 2) for i, line in enumerate(lines[:-1])
    ] + [lines[-1]]


def _pages(lines: Iterable[Line]) -> list[list[tuple[float, Line]]]:
    """Give each line its page and its height on it."""
    pages: list[list[tuple[float, Line]]] = [[]]
    y = TOP
    for group in _groups(lines):
        needed = _height(group)
        if pages[-1] and y - needed < FOOT and needed < TOP - FOOT:
            pages.append([])
        for line in group:
            if pages[-1] and y - line.space_pt - line.height_pt < FOOT:
                pages.append([])
            y = TOP if not pages[-1] else y - line.space_pt
            y -= line.height_pt
            pages[-1].append((y, line))
    return pages


def _groups(lines: Iterable[Line]) -> Iterator[list[Line]]:
    group: list[Line] = []
    for line in lines:
        group.append(line)
        if not line.keeps:
            yield group
            group = []
    if group:
        yield group


def _draw_page(canvas: Any, lines: Sequence[tuple[float, Line]]) -> None:
    for y, line in lines:
        if line.entry:
            canvas.bookmarkPage(line.entry, fit="XYZ", left=0, top=y + 2 * line.height_pt)
            canvas.addOutlineEntry(line.entry, line.entry)
            canvas.setStrokeGray(0.75)
            canvas.setLineWidth(0.5)
            canvas.line(LEFT, y + line.height_pt + 2, RIGHT, y + line.height_pt + 2)
        text = canvas.beginText()
        for placed in line.placed:
            _write(text, placed, y + 0.28 * line.height_pt)
        canvas.drawText(text)


def _write(text: Any, placed: Placed, y_pt: float) -> None:
    text.setTextOrigin(placed.x_pt, y_pt)
    text.setFillGray(placed.type.grey)
    for font, part in page_runs(placed.text, placed.type.weight):
        text.setFont(font, placed.type.size_pt)
        text.textOut(part)


def _draw_footer(canvas: Any, sheet: Sheet, page: str) -> None:
    kind = FOOTER_TYPE
    x = LEFT + _width(page, kind) + GAP
    name = _shortened(f"{sheet.artist} – {sheet.title}", RIGHT - x, kind)
    text = canvas.beginText()
    _write(text, Placed(LEFT, page, kind), FOOTER)
    _write(text, Placed(x, in_printed_order(name, right_to_left=False), kind), FOOTER)
    canvas.drawText(text)


def _shortened(text: str, width_pt: float, kind: Type) -> str:
    """Give as much of a text as one line holds, in the order of reading."""
    room = width_pt - kind.size_pt
    lines = filled_lines(joined(text), room, size_pt=kind.size_pt, weight=kind.weight)
    return lines[0] if len(lines) == 1 else f"{lines[0]}…"
