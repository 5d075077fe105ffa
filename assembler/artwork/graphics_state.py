"""The graphics state of a content stream, and where its points are on the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from assembler.artwork.inks import BLACK, Ink
from assembler.artwork.reading import Box

Matrix = tuple[float, float, float, float, float, float]
IDENTITY: Matrix = (1, 0, 0, 1, 0, 0)


@dataclass(frozen=True)
class GraphicsState:
    """The graphics state, as far as it is asked for."""

    matrix: Matrix = IDENTITY
    fill: Ink = BLACK
    stroke: Ink = BLACK
    line_width: float = 1
    overprint_fill: bool = False
    overprint_stroke: bool = False
    font: str = ""
    is_embedded: bool = True
    is_wide: bool = False
    """Two bytes per character."""
    font_size: float = 0
    leading: float = 0
    mode: int = 0


def times(one: Matrix, other: Matrix) -> Matrix:
    """Return the matrix that does one, then the other."""
    a, b, c, d, e, f = one
    g, h, i, j, k, m = other
    return (
        a * g + b * i,
        a * h + b * j,
        c * g + d * i,
        c * h + d * j,
        e * g + f * i + k,
        (e * h + f * j + m),
    )


def applied(matrix: Matrix, x: float, y: float) -> tuple[float, float]:
    """Return where a point is."""
    a, b, c, d, e, f = matrix
    return a * x + c * y + e, b * x + d * y + f


def box_of(matrix: Matrix, points: list[tuple[float, float]]) -> Box:
    """Return the box around points."""
    xs, ys = zip(*(applied(matrix, x, y) for x, y in points), strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def numbers(one: Any) -> tuple[float, ...]:
    """Return the operands of an instruction that are numbers."""
    return tuple(float(value) for value in one.operands)
