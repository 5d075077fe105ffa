"""A4 pages with a narrow column for the places on the package and a wide one for their texts.

Every line is placed by its measured width, and pages are filled line by line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm

from assembler.typeset.fonts import Weight

PAGE_WIDTH, PAGE_HEIGHT = A4
LEFT, BODY, RIGHT = 20 * mm, 56 * mm, PAGE_WIDTH - 20 * mm
TOP, FOOT, FOOTER = PAGE_HEIGHT - 20 * mm, 24 * mm, 13 * mm
COLUMN = RIGHT - BODY

Drawing = Callable[[Any, float, float], None]
"""Draws on a canvas, from a left and a lower edge."""


@dataclass(frozen=True)
class Type:
    """Size, leading, weight and grey of a text."""

    size_pt: float
    leading_pt: float
    weight: Weight = "regular"
    grey: float = 0.0


PART_TITLE = Type(11.5, 17, "bold")
CONTINUED = Type(8, 17, grey=0.4)


@dataclass(frozen=True)
class Placed:
    """A text on its line, in printed order."""

    x_pt: float
    text: str
    type: Type


@dataclass(frozen=True)
class Line:
    """One line of a page.

    Attributes
    ----------
    placed
        Its texts, in reading order.
    height_pt
        From the line above.
    space_pt
        Above it, except at the top of a page.
    keeps
        Kept on one page with the next line.
    part, block
        Titles of its part and its block.
    opens
        Titles of the part and the block that it opens.
    leader
        Dots lead to its last text.
    drawing
        Drawn before its texts.
    """

    placed: tuple[Placed, ...]
    height_pt: float
    space_pt: float = 0.0
    keeps: bool = False
    part: str = ""
    block: str = ""
    opens: tuple[str, ...] = ()
    leader: bool = False
    drawing: Drawing | None = None


def height(lines: Iterable[Line]) -> float:
    """Return the height of lines and the space above them."""
    return sum(line.height_pt + line.space_pt for line in lines)


def kept(lines: Sequence[Line], *, with_next: bool) -> list[Line]:
    """Return lines kept on one page, and with the next line if `with_next`."""
    return [replace(line, keeps=with_next or i < len(lines) - 1) for i, line in enumerate(lines)]


def paged(lines: Iterable[Line]) -> list[list[tuple[float, Line]]]:
    """Return lines with their heights, page by page; pages inside a part get a running head."""
    pages: list[list[tuple[float, Line]]] = [[]]
    y = TOP
    for group in _groups(lines):
        needed = height(group)
        if pages[-1] and y - needed < FOOT and needed < TOP - FOOT - CONTINUED.leading_pt:
            pages.append([])
        for line in group:
            if pages[-1] and y - line.space_pt - line.height_pt < FOOT:
                pages.append([])
            if not pages[-1]:
                y = TOP
                if line.part and len(pages) > 1 and line.opens[:1] != (line.part,):
                    y -= CONTINUED.leading_pt
                    pages[-1].append((y, running_head(line)))
                    y -= 8 if line.opens else 2
            else:
                y -= line.space_pt
            y -= line.height_pt
            pages[-1].append((y, line))
    return pages


def running_head(line: Line) -> Line:
    """Return a line with the part and the block that continue on a page."""
    what = "continued" if line.opens else f"{line.block}, continued"
    texts = (Placed(LEFT, line.part, PART_TITLE), Placed(BODY, what, CONTINUED))
    return Line(texts, CONTINUED.leading_pt, part=line.part)


def _groups(lines: Iterable[Line]) -> Iterator[list[Line]]:
    group: list[Line] = []
    for line in lines:
        group.append(line)
        if not line.keeps:
            yield group
            group = []
    if group:
        yield group
