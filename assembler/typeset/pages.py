"""Texts set in lines of a given width, and lines filled into frames of a given height."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from assembler.typeset.fonts import Weight
from assembler.typeset.pdf_fonts import width_em
from assembler.typeset.typeset import filled_lines, in_printed_order, joined, reads_right_to_left

Drawing = Callable[[Any, float], None]
"""Draws on a canvas, from a lower edge."""


@dataclass(frozen=True)
class Frame:
    """The area of a page that lines fill, in points from the page's lower left corner."""

    left: float
    right: float
    top: float
    foot: float
    body: float
    """Left edge of texts; names of parts are in the margin to the left of it."""

    @property
    def width(self) -> float:
        """Width of the texts."""
        return self.right - self.body

    @property
    def height(self) -> float:
        """Height of all lines."""
        return self.top - self.foot


@dataclass(frozen=True)
class Type:
    """Size, leading, weight and grey of a text."""

    size_pt: float
    leading_pt: float
    weight: Weight = "regular"
    grey: float = 0.0

    def width(self, text: str) -> float:
        """Return the width of a text in points."""
        return width_em(text, self.weight) * self.size_pt


@dataclass(frozen=True)
class Placed:
    """A text on its line, in printed order."""

    x_pt: float
    text: str
    type: Type


@dataclass(frozen=True)
class Rule:
    """A straight line across, so far above the upper edge of its line of text."""

    x_pt: float
    to_x_pt: float
    up_pt: float = 0.0
    width_pt: float = 0.5
    grey: float = 0.6


@dataclass(frozen=True)
class Line:
    """One line of a page: texts in reading order, and what is drawn before them."""

    placed: tuple[Placed, ...]
    height_pt: float
    space_pt: float = 0.0
    """Above it, except at the top of a page."""
    keeps: bool = False
    """Kept on one page with the next line."""
    heads: tuple[Line, ...] = ()
    """Lines that are set above it where it is the first of a later page."""
    opens: tuple[str, ...] = ()
    """Titles of the part and the block that it opens."""
    leader: bool = False
    """Dots lead to its last text."""
    in_columns: bool = False
    """Its texts are columns, which stay apart when they are copied out."""
    rules: tuple[Rule, ...] = ()
    drawing: Drawing | None = None


Page = list[tuple[float, Line]]
"""Lines with the heights of their lower edges."""
LARGEST_SPACE_BELOW_HEADS = 8


def set_text(
    text: str,
    x_pt: float,
    width_pt: float,
    kind: Type,
    *,
    hanging_pt: float = 0,
    beside: bool = False,
) -> list[Placed]:
    """Set a text into a width, line by line; right-to-left text is aligned right.

    Parameters
    ----------
    hanging_pt
        Indent of all lines but the first.
    beside
        Set right-to-left text at the start of its column, next to what precedes it.
    """
    shaped = joined(text)
    right_to_left = reads_right_to_left(shaped)
    lines = filled_lines(shaped, width_pt - hanging_pt, kind.width)
    shown = [in_printed_order(line, right_to_left=right_to_left) for line in lines]
    indents = [hanging_pt if n else 0.0 for n in range(len(lines))]
    if right_to_left:
        indents = [
            width_pt - kind.width(line) - pt for line, pt in zip(shown, indents, strict=True)
        ]
    start_pt = x_pt - min(indents) if beside else x_pt
    return [
        Placed(start_pt + indent, line, kind) for line, indent in zip(shown, indents, strict=True)
    ]


def at_right(text: str, right_pt: float, kind: Type) -> Placed:
    """Set a short text against a right edge."""
    return Placed(right_pt - kind.width(text), text, kind)


def fitted(text: str, width_pt: float, kind: Type, least_pt: float, most_lines: int = 1) -> Type:
    """Return the largest type, down to a size, in which a text fits so many lines."""
    text = joined(text)
    while kind.size_pt > least_pt and len(filled_lines(text, width_pt, kind.width)) > most_lines:
        shrunk = max(least_pt, kind.size_pt - 0.5)
        kind = replace(kind, size_pt=shrunk, leading_pt=kind.leading_pt * shrunk / kind.size_pt)
    return kind


def stacked(placed: Iterable[Placed], space_pt: float = 0) -> list[Line]:
    """Return texts as lines below each other."""
    lines = [Line((part,), part.type.leading_pt) for part in placed]
    return [replace(lines[0], space_pt=space_pt), *lines[1:]]


def text_lines(text: str, frame: Frame, kind: Type, space_pt: float = 0) -> list[Line]:
    """Set a text into the width of a frame."""
    return stacked(set_text(text, frame.body, frame.width, kind), space_pt)


def height(lines: Iterable[Line]) -> float:
    """Return the height of lines and the space above them."""
    return sum(line.height_pt + line.space_pt for line in lines)


def kept(lines: Sequence[Line], *, with_next: bool = False) -> list[Line]:
    """Return lines kept on one page, and with the next line if `with_next`."""
    return [replace(line, keeps=with_next or i < len(lines) - 1) for i, line in enumerate(lines)]


def paged(lines: Iterable[Line], frame: Frame) -> list[Page]:
    """Fill frames with lines, page by page; what overflows a single frame is on later pages."""
    pages: list[Page] = [[]]
    y = frame.top
    for group in _groups(lines):
        needed = height(group)
        if needed >= frame.height - height(group[0].heads):
            needed = 0  # too tall to be kept together
        for line in group:
            if pages[-1] and y - max(needed, line.space_pt + line.height_pt) < frame.foot:
                pages.append([])
            needed = 0
            if pages[-1]:
                y -= line.space_pt
            else:
                y = frame.top
                heads = line.heads if len(pages) > 1 else ()
                for head in heads:
                    y -= head.height_pt
                    pages[-1].append((y, head))
                y -= min(line.space_pt, LARGEST_SPACE_BELOW_HEADS) if heads else 0
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
