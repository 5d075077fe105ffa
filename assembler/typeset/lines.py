"""A sheet's parts, blocks and items as measured lines."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from reportlab.lib.units import mm

from assembler.typeset.barcode import HEIGHT_MM, draw_barcode
from assembler.typeset.blocks import (
    BarcodeSymbol,
    Block,
    Item,
    Note,
    Paragraph,
    Part,
    Row,
    Sheet,
    SignOff,
    Subtitle,
    Verse,
)
from assembler.typeset.pages import (
    BODY,
    COLUMN,
    FOOT,
    LEFT,
    PART_TITLE,
    RIGHT,
    TOP,
    Drawing,
    Line,
    Placed,
    Type,
    height,
    kept,
)
from assembler.typeset.pdf_fonts import width_em
from assembler.typeset.typeset import filled_lines, in_printed_order, joined, reads_right_to_left

GAP = 5.5
"""Between texts on one line."""
HANGING = 4 * mm
LARGEST_WHOLE_BLOCK = 0.35
"""Share of a page up to which a block is not broken."""
SHORTEST_LEADER = 4 * GAP
NARROWEST_LIST = 0.7
"""Share of the column where durations or codes end, unless the texts need more."""
BOX_PAD = 10
BOX_GREY = 0.35

TEXT = Type(9, 13.2)
STRONG = replace(TEXT, weight="bold")
MINOR = replace(TEXT, grey=0.38)
NOTE = Type(7.5, 10.5, grey=0.38)
ARTIST = Type(13, 18)
TITLES = (Type(23, 29, "bold"), Type(16, 21, "bold"), Type(12, 16, "bold"))
BLOCK_TITLE = Type(9, 17, "bold")
SUBTITLE = Type(9, 13.2, "bold", grey=0.25)
CAPTION = Type(7, 12, grey=0.38)


def width(text: str, kind: Type) -> float:
    """Return the width of a text in points."""
    return width_em(text, kind.weight) * kind.size_pt


def sheet_lines(sheet: Sheet) -> Iterator[Line]:
    """Return the lines of a whole sheet, in order."""
    artist = _lines(_set(sheet.artist, BODY, COLUMN, ARTIST))
    name = Placed(LEFT, sheet.name, MINOR)
    yield replace(artist[0], placed=(name, *artist[0].placed))
    yield from artist[1:]
    title = TITLES[min(len(sheet.title) // 48, len(TITLES) - 1)]
    yield from _lines(_set(sheet.title, BODY, COLUMN, title), 1)
    yield from _item_lines(sheet.facts, 8)
    for part in sheet.parts:
        yield from _part_lines(part)


def _part_lines(part: Part) -> Iterator[Line]:
    for n, block in enumerate(part.blocks):
        for line in _block_lines(block, opens_part=n == 0, part=part.title):
            yield replace(line, part=part.title, block=block.title)


def _block_lines(block: Block, *, opens_part: bool, part: str) -> list[Line]:
    title = _lines(_set(block.title, BODY, COLUMN, BLOCK_TITLE), 22 if opens_part else 14)
    if opens_part:
        name = Placed(LEFT, part, PART_TITLE)
        title[0] = replace(title[0], placed=(name, *title[0].placed))
    title[0] = replace(title[0], opens=(part, block.title) if opens_part else ("", block.title))
    lines = [*kept(title, with_next=True), *_item_lines(block.items, 1)]
    whole = height(lines) <= (TOP - FOOT) * LARGEST_WHOLE_BLOCK
    return kept(lines, with_next=False) if whole else lines


def _item_lines(items: Sequence[Item], first_space_pt: float) -> Iterator[Line]:
    label_pt = max((_label_width(item) for item in items if isinstance(item, Row)), default=0)
    right = _list_edge([item for item in items if isinstance(item, Row) and item.end], label_pt)
    above: Item | None = None
    for item in items:
        space = 0.0 if above else first_space_pt
        if isinstance(item, Row):
            yield from _row_lines(item, label_pt, right, space or _row_space(above, item))
        elif isinstance(item, Subtitle):
            lines = _lines(_set(item.text, BODY, COLUMN, SUBTITLE), space or 9)
            yield from kept(lines, with_next=True)
        elif isinstance(item, Paragraph):
            yield from _running(_lines(_set(item.text, BODY, COLUMN, TEXT), space or 6))
        elif isinstance(item, Note):
            yield from _running(_lines(_set(item.text, BODY, COLUMN, NOTE), space or 5))
        elif isinstance(item, BarcodeSymbol):
            yield _barcode_line(item, 8)
        elif isinstance(item, SignOff):
            yield from _box_lines(item, 6)
        else:
            yield from _verse_lines(item, space or 6)
        above = item


def _set(
    text: str, x_pt: float, width_pt: float, kind: Type, hanging_pt: float = 0
) -> list[Placed]:
    """Set a text into a width, line by line; right-to-left text is aligned right."""
    shaped = joined(text)
    right_to_left = reads_right_to_left(shaped)
    room = width_pt - hanging_pt
    lines = filled_lines(shaped, room, size_pt=kind.size_pt, weight=kind.weight)
    placed = []
    for i, line in enumerate(lines):
        shown = in_printed_order(line, right_to_left=right_to_left)
        indent = hanging_pt if i else 0
        if right_to_left:
            indent = width_pt - width(shown, kind) - indent
        placed.append(Placed(x_pt + indent, shown, kind))
    return placed


def _lines(placed: Iterable[Placed], space_pt: float = 0) -> list[Line]:
    lines = [Line((part,), part.type.leading_pt) for part in placed]
    return [replace(lines[0], space_pt=space_pt), *lines[1:]]


def _row_space(above: Item | None, row: Row) -> float:
    if not isinstance(above, Row):
        return 5
    return 3 if row.details or above.details or (above.label and not row.label) else 0.5


def _label_width(row: Row) -> float:
    return width(row.label, MINOR) + (GAP if row.label.isdigit() else 2 * GAP) if row.label else 0


def _list_edge(rows: Sequence[Row], label_pt: float) -> float:
    """Return the right edge of the ends of rows, close enough to their texts to be read across."""
    texts_pt = max((width(row.text, TEXT) for row in rows), default=0.0)
    ends_pt = max((width(row.end, STRONG) for row in rows), default=0.0)
    needed_pt = label_pt + texts_pt + 2 * GAP + SHORTEST_LEADER + ends_pt
    return float(BODY + min(COLUMN, max(needed_pt, NARROWEST_LIST * COLUMN)))


def _row_lines(row: Row, label_pt: float, right: float, space_pt: float) -> list[Line]:
    """Set a row: its label, its text, and its end on the last line of the text."""
    x = BODY + label_pt
    kind = STRONG if row.is_strong else TEXT
    end_pt = width(row.end, kind)
    room = right - x - end_pt - 3 * GAP if row.end else RIGHT - x
    placed = _set(row.text, x, room, TEXT if row.end else kind, 0 if label_pt else HANGING)
    if label_pt or row.end:
        placed = _beside(placed, x)
    lines = _lines(placed, space_pt)
    if row.label:
        before = x - _label_width(row) if row.label.isdigit() else BODY
        label = Placed(before, row.label, MINOR)
        lines[0] = replace(lines[0], placed=(label, *lines[0].placed))
    if row.end:
        end = Placed(right - end_pt, row.end, kind)
        lines[-1] = replace(lines[-1], placed=(*lines[-1].placed, end), leader=True)
    for detail in row.details:
        lines += _lines(_beside(_set(detail, x, RIGHT - x, MINOR), x))
    return kept(lines, with_next=False)


def _beside(placed: Sequence[Placed], x_pt: float) -> list[Placed]:
    """Move right-aligned text to the start of the column, next to its label."""
    spare = min(part.x_pt for part in placed) - x_pt
    return [replace(part, x_pt=part.x_pt - spare) for part in placed]


def _verse_lines(verse: Verse, space_pt: float) -> list[Line]:
    placed = [p for line in verse.lines for p in _set(line, BODY, COLUMN, TEXT, HANGING)]
    return kept(_lines(placed, space_pt), with_next=False)


def _running(lines: Sequence[Line]) -> list[Line]:
    """Keep the first two and the last two lines of a paragraph together."""
    return [
        replace(line, keeps=i == 0 or i == len(lines) - 2) for i, line in enumerate(lines[:-1])
    ] + [lines[-1]]


def _barcode_line(item: BarcodeSymbol, space_pt: float) -> Line:
    def draw(canvas: Any, x_pt: float, y_pt: float) -> None:
        draw_barcode(canvas, item.code, x_pt, y_pt)

    return Line((), HEIGHT_MM * mm, space_pt, drawing=draw)


def _box_lines(item: SignOff, space_pt: float) -> list[Line]:
    """Set a box: squares to tick with their texts, and lines to write on with captions."""
    lines = [
        replace(line, drawing=_square)
        for choice in item.choices
        for line in _lines([Placed(BODY + 26, choice, TEXT)])
    ]
    room = (COLUMN - 2 * BOX_PAD) / len(item.blanks)
    lefts = [BODY + BOX_PAD + room * n for n in range(len(item.blanks))]
    captions = [Placed(x, text, CAPTION) for x, text in zip(lefts, item.blanks, strict=True)]
    box_pt = height(lines) + 2 * BOX_PAD + 40
    drawing = _box(box_pt, [(x, x + room - BOX_PAD) for x in lefts])
    lines[0] = replace(lines[0], space_pt=space_pt + BOX_PAD)
    lines += [Line(tuple(captions), 40), Line((), BOX_PAD, drawing=drawing)]
    return kept(lines, with_next=False)


def _square(canvas: Any, x_pt: float, y_pt: float) -> None:
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.6)
    canvas.rect(x_pt + BOX_PAD, y_pt + 2.5, 8, 8, fill=0)


def _box(height_pt: float, rules: Sequence[tuple[float, float]]) -> Drawing:
    def draw(canvas: Any, x_pt: float, y_pt: float) -> None:
        canvas.setStrokeGray(BOX_GREY)
        canvas.setLineWidth(0.8)
        canvas.rect(x_pt, y_pt, COLUMN, height_pt, fill=0)
        canvas.setLineWidth(0.5)
        for start, end in rules:
            canvas.line(start, y_pt + 24, end, y_pt + 24)

    return draw
