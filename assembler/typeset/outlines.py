"""Outlines of the digits of a font as SVG paths, so that a drawing needs no font."""

from __future__ import annotations

from functools import cache
from typing import Any

from fontTools.pens.basePen import BasePen
from fontTools.pens.transformPen import TransformPen
from fontTools.ttLib import TTFont

from assembler.typeset.fonts import FILES, FOLDER

FONT = "DejaVuSans"
UNITS_PER_EM = 2048
DESCENT_EM = 29 / UNITS_PER_EM
"""How far round digits extend below the baseline."""
DIGIT_HEIGHT_EM = (1520 + 29) / UNITS_PER_EM
"""From there to the top of the tallest digit."""

Point = tuple[float, float]


def digit_path(digit: str, x: float, y: float, size: float) -> str:
    """Return a digit as the data of an SVG path.

    Parameters
    ----------
    x, y
        Its origin on the baseline; y grows downwards.
    size
        Of the type, in the same unit.
    """
    scale = size / UNITS_PER_EM
    pen = _PathPen()
    name = _font().getBestCmap()[ord(digit)]
    _font().getGlyphSet()[name].draw(TransformPen(pen, (scale, 0, 0, -scale, x, y)))
    return "".join(pen.commands)


@cache
def _font() -> Any:
    """Read the font into memory."""
    return TTFont(FOLDER / FILES[FONT])


class _PathPen(BasePen):  # type: ignore[misc]
    """Collects the commands of an SVG path, with three decimals."""

    def __init__(self) -> None:
        super().__init__(None)
        self.commands: list[str] = []
        self._start: Point = (0.0, 0.0)

    def _moveTo(self, pt: Point) -> None:  # noqa: N802 - the names that fontTools calls
        self._start = pt
        self.commands.append(f"M{_text(pt)}")

    def _lineTo(self, pt: Point) -> None:  # noqa: N802
        self.commands.append(f"L{_text(pt)}")

    def _qCurveToOne(self, pt1: Point, pt2: Point) -> None:  # noqa: N802
        self.commands.append(f"Q{_text(pt1)} {_text(pt2)}")

    def _closePath(self) -> None:  # noqa: N802
        if self._getCurrentPoint() != self._start:
            self.commands.append(f"L{_text(self._start)}")
        self.commands.append("z")


def _text(point: Point) -> str:
    return f"{point[0]:.3f} {point[1]:.3f}"
