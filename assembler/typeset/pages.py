"""Pages to print: A4, a narrow column for places on the package, a wide one for their words.

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
"""Draws on a canvas from a left edge and the line's lower edge on."""


@dataclass(frozen=True)
class Type:
    """How a text is set."""

    size_pt: float
    leading_pt: float
    weight: Weight = "regular"
    grey: float = 0.0


PART_TITLE = Type(11.5, 17, "bold")
CONTINUED = Type(8, 17, grey=0.4)


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
    part, block
        Where it belongs.
    opens
        What it is the title of.
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
    """Add up lines and the space above them."""
    return sum(line.height_pt + line.space_pt for line in lines)


def kept(lines: Sequence[Line], *, with_next: bool) -> list[Line]:
    """Keep lines on one page, and with what follows where that is asked."""
    return [replace(line, keeps=with_next or i < len(lines) - 1) for i, line in enumerate(lines)]


def paged(lines: Iterable[Line]) -> list[list[tuple[float, Line]]]:
    """Give each line its page and its height on it; pages inside a part say what goes on there."""
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
    """Name the part, and the block, that a page goes on with."""
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
