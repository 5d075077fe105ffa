"""A sheet's parts, blocks and items as measured lines, in a frame of any width."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import accumulate, chain, pairwise
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
    Frame,
    Line,
    Placed,
    Rule,
    Type,
    at_right,
    height,
    kept,
    set_text,
    stacked,
    text_lines,
)

GAP = 5.5
"""Between texts on one line."""
HANGING = 4 * mm
LARGEST_WHOLE_BLOCK = 0.35
"""Share of a page up to which a block is not broken."""
SHORTEST_LEADER = 4 * GAP
NARROWEST_LIST = 0.7
"""Share of the column where durations or codes end, unless the texts need more."""
BOX_PAD = 10

TEXT = Type(9, 13.2)
STRONG = replace(TEXT, weight="bold")
MINOR = replace(TEXT, grey=0.38)
NOTE = Type(7.5, 10.5, grey=0.38)
ARTIST = Type(13, 18)
TITLES = (Type(23, 29, "bold"), Type(16, 21, "bold"), Type(12, 16, "bold"))
PART_TITLE = Type(11.5, 17, "bold")
CONTINUED = Type(8, 17, grey=0.4)
BLOCK_TITLE = Type(9, 17, "bold")
SUBTITLE = Type(9, 13.2, "bold", grey=0.25)
CAPTION = Type(7, 12, grey=0.38)


def sheet_lines(sheet: Sheet, frame: Frame) -> Iterator[Line]:
    """Return the lines of a whole sheet, in order."""
    artist = text_lines(sheet.artist, frame, ARTIST)
    name = Placed(frame.left, sheet.name, MINOR)
    yield replace(artist[0], placed=(name, *artist[0].placed))
    yield from artist[1:]
    title = TITLES[min(len(sheet.title) // 48, len(TITLES) - 1)]
    yield from text_lines(sheet.title, frame, title, 1)
    yield from item_lines(sheet.facts, frame, 8)
    for part in sheet.parts:
        for n, block in enumerate(part.blocks):
            yield from block_lines(block, part, frame, opens_part=n == 0)


def block_lines(block: Block, part: Part, frame: Frame, *, opens_part: bool) -> list[Line]:
    """Return the lines of a block: its title and its items, the part's title beside the first."""
    first, *others = text_lines(block.title, frame, BLOCK_TITLE, 22 if opens_part else 14)
    if opens_part:
        first = _with_part_title(first, part, frame)
        first = replace(first, opens=(part.title, block.title))
    else:
        rule = Rule(frame.body, frame.right, 2, 0.4, 0.65)
        heads = (_running_head(part, "continued", frame),)
        first = replace(first, rules=(rule,), opens=("", block.title), heads=heads)
    heads = (_running_head(part, f"{block.title}, continued", frame),)
    later = [*kept(others, with_next=True), *item_lines(block.items, frame, 1)]
    lines = [replace(first, keeps=True), *(replace(line, heads=heads) for line in later)]
    return kept(lines) if height(lines) <= frame.height * LARGEST_WHOLE_BLOCK else lines


def _with_part_title(line: Line, part: Part, frame: Frame) -> Line:
    name = Placed(frame.left, part.title, PART_TITLE)
    rule = Rule(frame.left, frame.right, 3, 1.0, 0)
    return replace(line, placed=(name, *line.placed), rules=(rule,))


def _running_head(part: Part, text: str, frame: Frame) -> Line:
    line = Line((Placed(frame.body, text, CONTINUED),), CONTINUED.leading_pt)
    return _with_part_title(line, part, frame)


def item_lines(items: Sequence[Item], frame: Frame, first_space_pt: float) -> Iterator[Line]:
    """Return the lines of items below each other, the texts of rows in one column."""
    label_pt = max((_label_width(item) for item in items if isinstance(item, Row)), default=0)
    ended = [item for item in items if isinstance(item, Row) and item.end]
    right = _list_edge(ended, label_pt, frame)
    above: Item | None = None
    for item in items:
        space = 0.0 if above else first_space_pt
        if isinstance(item, Row):
            yield from _row_lines(item, label_pt, right, space or _row_space(above, item), frame)
        elif isinstance(item, Subtitle):
            yield from kept(text_lines(item.text, frame, SUBTITLE, space or 9), with_next=True)
        elif isinstance(item, Paragraph | Note):
            kind, apart = (TEXT, 6) if isinstance(item, Paragraph) else (NOTE, 5)
            yield from _running(text_lines(item.text, frame, kind, space or apart))
        elif isinstance(item, BarcodeSymbol):
            yield _barcode_line(item, frame, 8)
        elif isinstance(item, SignOff):
            yield from _sign_off_lines(item, frame, 6)
        else:
            yield from _verse_lines(item, frame, space or 6)
        above = item


def _row_space(above: Item | None, row: Row) -> float:
    if not isinstance(above, Row):
        return 5
    return 3 if row.details or above.details or (above.label and not row.label) else 0.5


def _label_width(row: Row) -> float:
    return MINOR.width(row.label) + (GAP if row.label.isdigit() else 2 * GAP) if row.label else 0


def _list_edge(rows: Sequence[Row], label_pt: float, frame: Frame) -> float:
    """Return the right edge of the ends of rows, close enough to their texts to be read across."""
    texts_pt = max((TEXT.width(row.text) for row in rows), default=0.0)
    ends_pt = max((STRONG.width(row.end) for row in rows), default=0.0)
    needed_pt = label_pt + texts_pt + 2 * GAP + SHORTEST_LEADER + ends_pt
    return frame.body + min(frame.width, max(needed_pt, NARROWEST_LIST * frame.width))


def _row_lines(
    row: Row, label_pt: float, right: float, space_pt: float, frame: Frame
) -> list[Line]:
    """Set a row: its label, its text, and its end on the last line of the text."""
    x = frame.body + label_pt
    kind = STRONG if row.is_strong else TEXT
    end = at_right(row.end, right, kind)
    room = end.x_pt - x - 3 * GAP if row.end else frame.right - x
    hanging_pt = 0 if label_pt else HANGING
    beside = bool(label_pt or row.end)
    text_kind = TEXT if row.end else kind
    placed = set_text(row.text, x, room, text_kind, hanging_pt=hanging_pt, beside=beside)
    lines = stacked(placed, space_pt)
    if row.label:
        before = x - _label_width(row) if row.label.isdigit() else frame.body
        label = Placed(before, row.label, MINOR)
        lines[0] = replace(lines[0], placed=(label, *lines[0].placed))
    if row.end:
        lines[-1] = replace(lines[-1], placed=(*lines[-1].placed, end), leader=True)
    for detail in row.details:
        lines += stacked(set_text(detail, x, frame.right - x, MINOR, beside=True))
    return kept(lines)


def _running(lines: Sequence[Line]) -> list[Line]:
    """Keep the first two and the last two lines of a paragraph together."""
    last = len(lines) - 1
    return [replace(line, keeps=i in (0, last - 1) and i < last) for i, line in enumerate(lines)]


def _verse_lines(verse: Verse, frame: Frame, space_pt: float) -> list[Line]:
    lines = (set_text(t, frame.body, frame.width, TEXT, hanging_pt=HANGING) for t in verse.lines)
    return kept(stacked(chain.from_iterable(lines), space_pt))


def _barcode_line(item: BarcodeSymbol, frame: Frame, space_pt: float) -> Line:
    def draw(canvas: Any, y_pt: float) -> None:
        draw_barcode(canvas, item.code, frame.body, y_pt)

    return Line((), HEIGHT_MM * mm, space_pt, drawing=draw)


def _sign_off_lines(item: SignOff, frame: Frame, space_pt: float) -> list[Line]:
    """Set a box: squares to tick with their texts, and lines to write on with captions."""

    def square(canvas: Any, y_pt: float) -> None:
        canvas.setStrokeGray(0)
        canvas.setLineWidth(0.6)
        canvas.rect(frame.body + BOX_PAD, y_pt + 2.5, 8, 8, fill=0)

    texts = stacked(Placed(frame.body + 26, choice, TEXT) for choice in item.choices)
    choices = [replace(line, drawing=square) for line in texts]
    choices[0] = replace(choices[0], space_pt=space_pt + BOX_PAD)
    inner = replace(frame, body=frame.body + BOX_PAD, right=frame.right - BOX_PAD)
    blanks = blank_line([(text, 1 / len(item.blanks)) for text in item.blanks], inner)
    box_pt = height([*choices, blanks]) - space_pt + BOX_PAD

    def box(canvas: Any, y_pt: float) -> None:
        canvas.setStrokeGray(0.35)
        canvas.setLineWidth(0.8)
        canvas.rect(frame.body, y_pt, frame.width, box_pt, fill=0)

    return kept([*choices, blanks, Line((), BOX_PAD, drawing=box)])


def blank_line(blanks: Sequence[tuple[str, float]], frame: Frame) -> Line:
    """Return lines to write on side by side: captions and shares of the width."""
    edges = [*accumulate((share * frame.width for _, share in blanks), initial=frame.body)]
    captions = [Placed(x, text, CAPTION) for x, (text, _) in zip(edges, blanks, strict=False)]
    rules = [Rule(x, to_x - BOX_PAD, 0, 0.5, 0.35) for x, to_x in pairwise(edges)]
    return Line(tuple(captions), CAPTION.leading_pt, 28, rules=tuple(rules))
