"""Outlines of the carried font's digits, so that a drawing needs no font.

OpenType specification, chapters "glyf" and "loca": simple glyphs, quadratic curves.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from functools import cache

from reportlab.pdfbase import pdfmetrics

from assembler.typeset.cmap import font_table
from assembler.typeset.fonts import FILES, FOLDER
from assembler.typeset.pdf_fonts import registered

FONT = "DejaVuSans"
FILE = FOLDER / FILES[FONT]
UNITS_PER_EM = 2048
DESCENT_EM = 29 / UNITS_PER_EM
"""How far round digits go below the line."""
DIGIT_HEIGHT_EM = (1520 + 29) / UNITS_PER_EM
"""From there to the top of the tallest."""

Point = tuple[float, float, bool]
"""x, y, and whether it lies on the outline; others draw the curve towards them."""

_ON, _SHORT_X, _SHORT_Y, _AGAIN, _SAME_X, _SAME_Y = (1 << bit for bit in range(6))


def digit_path(digit: str, x: float, y: float, size: float) -> str:
    """Give a digit as the data of an SVG path.

    Parameters
    ----------
    x, y
        Where it begins on its line; y grows downwards.
    size
        Of the type, in the same unit.
    """
    scale = size / UNITS_PER_EM
    commands: list[str] = []
    for contour in outline(digit):
        moved = [(x + px * scale, y - py * scale, on) for px, py, on in contour]
        commands += _commands(moved)
    return "".join(commands)


def _commands(contour: Sequence[Point]) -> Iterator[str]:
    """Draw one closed contour, which begins on the outline."""
    points = [*_with_middles(contour), contour[0]]
    yield f"M{_number(points[0])}"
    towards: Point | None = None
    for point in points[1:]:
        if not point[2]:
            towards = point
        elif towards:
            yield f"Q{_number(towards)} {_number(point)}"
            towards = None
        else:
            yield f"L{_number(point)}"
    yield "z"


def _with_middles(contour: Sequence[Point]) -> Iterator[Point]:
    """Put in the points of the outline that lie half way between two that don't."""
    before = contour[-1]
    for point in contour:
        if not (point[2] or before[2]):
            yield ((point[0] + before[0]) / 2, (point[1] + before[1]) / 2, True)
        yield point
        before = point


def _number(point: Point) -> str:
    return f"{point[0]:.3f} {point[1]:.3f}"


@cache
def outline(digit: str) -> tuple[tuple[Point, ...], ...]:
    """Give the contours of a digit, in font units, each from a point on the outline on."""
    data = _glyph(digit)
    (count,) = struct.unpack_from(">h", data)
    ends = struct.unpack_from(f">{count}H", data, 10)
    (instructions,) = struct.unpack_from(">H", data, 10 + 2 * count)
    flags, place = _flags(data, 12 + 2 * count + instructions, ends[-1] + 1)
    xs, place = _coordinates(data, place, flags, _SHORT_X, _SAME_X)
    ys, _ = _coordinates(data, place, flags, _SHORT_Y, _SAME_Y)
    points = [(x, y, bool(flag & _ON)) for x, y, flag in zip(xs, ys, flags, strict=True)]
    starts = (0, *(end + 1 for end in ends[:-1]))
    return tuple(
        _from_outline(points[start : end + 1]) for start, end in zip(starts, ends, strict=True)
    )


def _from_outline(points: Sequence[Point]) -> tuple[Point, ...]:
    first = next(n for n, point in enumerate(points) if point[2])
    return (*points[first:], *points[:first])


def _glyph(digit: str) -> bytes:
    glyph = pdfmetrics.getFont(registered(FONT)).face.charToGlyph[ord(digit)]
    places = font_table(FILE, b"loca")
    long = struct.unpack_from(">h", font_table(FILE, b"head"), 50)[0]
    if long:
        start, end = struct.unpack_from(">2L", places, 4 * glyph)
    else:
        start, end = (2 * place for place in struct.unpack_from(">2H", places, 2 * glyph))
    return font_table(FILE, b"glyf")[start:end]


def _flags(data: bytes, place: int, count: int) -> tuple[list[int], int]:
    flags: list[int] = []
    while len(flags) < count:
        flag = data[place]
        times = data[place + 1] + 1 if flag & _AGAIN else 1
        place += 2 if flag & _AGAIN else 1
        flags += [flag] * times
    return flags, place


def _coordinates(
    data: bytes, place: int, flags: Sequence[int], short: int, same: int
) -> tuple[list[int], int]:
    """Add up the steps from point to point: one byte and a sign, two bytes, or none."""
    values: list[int] = []
    at = 0
    for flag in flags:
        if flag & short:
            at += data[place] if flag & same else -data[place]
            place += 1
        elif not flag & same:
            at += struct.unpack_from(">h", data, place)[0]
            place += 2
        values.append(at)
    return values, place
