"""A sheet as a PDF: lines drawn on pages, with bookmarks, page numbers and reading order."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

from assembler.typeset.blocks import Sheet
from assembler.typeset.lines import GAP, sheet_lines, width
from assembler.typeset.pages import BODY, FOOTER, LEFT, RIGHT, Line, Placed, Type, paged
from assembler.typeset.pdf_document import copied_as, new_document
from assembler.typeset.pdf_fonts import page_runs, write_runs
from assembler.typeset.typeset import filled_lines, in_printed_order, joined

FOOTER_TYPE = Type(7, 10, grey=0.38)
BASELINE = 0.28
"""Share of a line's height, from its lower edge."""
NARROW_GAP = GAP + 0.5
"""A wider gap would be read as two columns when text is copied out."""


def write_pdf(path: Path, sheet: Sheet) -> None:
    """Write a sheet as a PDF whose bytes depend on its texts alone."""
    pages = paged(sheet_lines(sheet))
    canvas = new_document(path, sheet)
    for number, lines in enumerate(pages, 1):
        for y, line in lines:
            _draw_line(canvas, line, y)
        _draw_footer(canvas, sheet, f"Page {number} of {len(pages)}")
        canvas.showPage()
    canvas.save()


def _draw_line(canvas: Any, line: Line, y_pt: float) -> None:
    opens_part = bool(line.placed) and line.placed[0].text == line.part
    if opens_part:
        _rule(canvas, LEFT, y_pt + line.height_pt + 3, 1.0, 0)
    elif line.opens:
        _rule(canvas, BODY, y_pt + line.height_pt + 2, 0.4, 0.65)
    _bookmark(canvas, line, y_pt)
    if line.drawing:
        line.drawing(canvas, BODY, y_pt)
    _write_texts(canvas, line.placed, y_pt + BASELINE * _leading(line), leader=line.leader)


def _leading(line: Line) -> float:
    return line.placed[0].type.leading_pt if line.placed else 0


def _rule(canvas: Any, x_pt: float, y_pt: float, width_pt: float, grey: float) -> None:
    canvas.setStrokeGray(grey)
    canvas.setLineWidth(width_pt)
    canvas.line(x_pt, y_pt, RIGHT, y_pt)


def _bookmark(canvas: Any, line: Line, y_pt: float) -> None:
    for level, title in enumerate(line.opens):
        if title:
            key = f"{line.part}, {line.block}, {level}"
            canvas.bookmarkPage(key, fit="XYZ", left=0, top=y_pt + 2 * line.height_pt)
            canvas.addOutlineEntry(title, key, level)


def _write_texts(canvas: Any, placed: Sequence[Placed], y_pt: float, *, leader: bool) -> None:
    text = canvas.beginText()
    for before, after in pairwise((None, *placed)):
        if after is None:
            continue
        if before:
            end = before.x_pt + width(before.text, before.type)
            if leader and after is placed[-1]:
                _dots(canvas, end + GAP, after.x_pt - GAP, y_pt)
            if after.x_pt - end > NARROW_GAP:
                _bridge(text, end + 2, after.x_pt - 2, y_pt, after.type.size_pt)
        _write(text, after, y_pt)
    canvas.drawText(text)


def _dots(canvas: Any, x_pt: float, to_x_pt: float, y_pt: float) -> None:
    """Draw the leader dots of a line, on one grid for all lines."""
    canvas.saveState()
    canvas.setStrokeGray(0.4)
    canvas.setLineWidth(0.6)
    canvas.setLineCap(1)
    canvas.setDash([0, 4])
    first = RIGHT - 4 * int((RIGHT - x_pt) / 4)
    if first < to_x_pt:
        canvas.line(first, y_pt, to_x_pt, y_pt)
    canvas.restoreState()


def _bridge(text: Any, x_pt: float, to_x_pt: float, y_pt: float, size_pt: float) -> None:
    """Write an invisible space as wide as a gap.

    It is copied out as spaces and keeps the texts of a line together.
    """
    ((font, space),) = page_runs(" ", "regular")
    text.setTextOrigin(x_pt, y_pt)
    text.setFont(font, size_pt)
    with copied_as(text, "  "):
        text.setTextRenderMode(3)
        text.setHorizScale(100 * (to_x_pt - x_pt) / width(space, Type(size_pt, 0)))
        text.textOut(space)
        text.setHorizScale(100)
        text.setTextRenderMode(0)


def _write(text: Any, placed: Placed, y_pt: float) -> None:
    text.setTextOrigin(placed.x_pt, y_pt)
    text.setFillGray(placed.type.grey)
    write_runs(text, placed.text, placed.type.weight, placed.type.size_pt)


def _draw_footer(canvas: Any, sheet: Sheet, page: str) -> None:
    kind = FOOTER_TYPE
    name = _shortened(f"{sheet.artist} – {sheet.title}", RIGHT - BODY, kind)
    shown = in_printed_order(name, right_to_left=False)
    texts = (Placed(LEFT, page, kind), Placed(BODY, shown, kind))
    _write_texts(canvas, texts, FOOTER, leader=False)


def _shortened(text: str, width_pt: float, kind: Type) -> str:
    """Return as much of a text as fits one line, in reading order."""
    room = width_pt - kind.size_pt
    lines = filled_lines(joined(text), room, size_pt=kind.size_pt, weight=kind.weight)
    return lines[0] if len(lines) == 1 else f"{lines[0]}…"
