"""Pages of lines as a PDF, with bookmarks, page numbers and reading order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm

from assembler.typeset.blocks import Sheet
from assembler.typeset.lines import GAP, sheet_lines
from assembler.typeset.pages import Frame, Line, Page, Placed, Type, paged, set_text
from assembler.typeset.pdf_document import copied_as, new_document
from assembler.typeset.pdf_fonts import page_runs, write_runs

FRAME = Frame(left=20 * mm, right=A4[0] - 20 * mm, top=A4[1] - 20 * mm, foot=24 * mm, body=56 * mm)
FOOTER, FOOTER_TYPE = 13 * mm, Type(7, 10, grey=0.38)
BASELINE = 0.28
"""Share of a line's height, from its lower edge."""
NARROW_GAP = GAP + 0.5
"""A wider gap would be read as two columns when text is copied out."""


def write_pdf(path: Path, sheet: Sheet) -> None:
    """Write a sheet as a PDF whose bytes depend on its texts alone."""
    write_pages(path, sheet, paged(sheet_lines(sheet, FRAME), FRAME), FRAME)


def write_pages(path: Path, sheet: Sheet, pages: Sequence[Page], frame: Frame) -> None:
    """Write pages of lines; properties and footers name the sheet."""
    canvas = new_document(path, sheet)
    for number, lines in enumerate(pages, 1):
        for y, line in lines:
            draw_line(canvas, line, y, frame)
        _draw_footer(canvas, sheet, f"Page {number} of {len(pages)}", frame)
        canvas.showPage()
    canvas.save()


def draw_line(canvas: Any, line: Line, y_pt: float, frame: Frame) -> None:
    """Draw a line of texts, from its lower edge."""
    for rule in line.rules:
        canvas.setStrokeGray(rule.grey)
        canvas.setLineWidth(rule.width_pt)
        rule_pt = y_pt + line.height_pt + rule.up_pt
        canvas.line(rule.x_pt, rule_pt, rule.to_x_pt, rule_pt)
    for level, title in enumerate(line.opens):
        if title:
            key = f"{canvas.getPageNumber()}, {y_pt}, {level}"
            canvas.bookmarkPage(key, fit="XYZ", left=0, top=y_pt + 2 * line.height_pt)
            canvas.addOutlineEntry(title, key, level)
    if line.drawing:
        line.drawing(canvas, y_pt)
    leading_pt = line.placed[0].type.leading_pt if line.placed else 0
    _write_texts(canvas, line, y_pt + BASELINE * leading_pt, frame)


def _write_texts(canvas: Any, line: Line, y_pt: float, frame: Frame) -> None:
    text = canvas.beginText()
    for before, after in pairwise((None, *line.placed)):
        if after is None:
            continue
        if before:
            end = before.x_pt + before.type.width(before.text)
            if line.leader and after is line.placed[-1]:
                _dots(canvas, end + GAP, after.x_pt - GAP, y_pt, frame)
            if after.x_pt - end > NARROW_GAP and not line.in_columns:
                _bridge(text, end + 2, after.x_pt - 2, y_pt, after.type.size_pt)
        text.setTextOrigin(after.x_pt, y_pt)
        text.setFillGray(after.type.grey)
        write_runs(text, after.text, after.type.weight, after.type.size_pt)
    canvas.drawText(text)


def _dots(canvas: Any, x_pt: float, to_x_pt: float, y_pt: float, frame: Frame) -> None:
    """Draw the leader dots of a line, on one grid for all lines."""
    canvas.saveState()
    canvas.setStrokeGray(0.4)
    canvas.setLineWidth(0.6)
    canvas.setLineCap(1)
    canvas.setDash([0, 4])
    first = frame.right - 4 * int((frame.right - x_pt) / 4)
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
        text.setHorizScale(100 * (to_x_pt - x_pt) / Type(size_pt, 0).width(space))
        text.textOut(space)
        text.setHorizScale(100)
        text.setTextRenderMode(0)


def _draw_footer(canvas: Any, sheet: Sheet, page: str, frame: Frame) -> None:
    number = Placed(frame.left, page, FOOTER_TYPE)
    x_pt = max(frame.body, frame.left + FOOTER_TYPE.width(page) + 3 * GAP)
    room_pt = frame.right - x_pt - FOOTER_TYPE.size_pt
    text = f"{sheet.artist} – {sheet.title}"
    name, *rest = set_text(text, x_pt, room_pt, FOOTER_TYPE, beside=True)
    shown = replace(name, text=f"{name.text}…") if rest else name
    _write_texts(canvas, Line((number, shown), 0), FOOTER, frame)
