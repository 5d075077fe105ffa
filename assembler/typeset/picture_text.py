"""Text on pictures: lines in printed order, in the fonts of this package, cut to their room."""

from __future__ import annotations

from bisect import bisect_left
from functools import cache

from PIL import ImageDraw, ImageFont

from assembler.typeset.fonts import FILES, FOLDER, Weight, font_runs
from assembler.typeset.typeset import in_printed_order, joined, reads_right_to_left

Colour = str | tuple[int, int, int]
Runs = list[tuple[ImageFont.FreeTypeFont, str]]


def draw_text(
    draw: ImageDraw.ImageDraw,
    x: float,
    baseline: float,
    text: str,
    size: int,
    colour: Colour,
    *,
    weight: Weight = "regular",
    room: float | None = None,
    align: float = 0.0,
) -> None:
    """Draw a line.

    Parameters
    ----------
    size
        Of the type, in pixels.
    room
        Width to which the line is cut, with an ellipsis; default: not cut.
    align
        Share of its width that is left of `x`.
    """
    runs = (
        text_runs(text, size, weight) if room is None else _fitting_runs(text, size, weight, room)
    )
    x -= align * _width(runs)
    for font, part in runs:
        draw.text((x, baseline), part, colour, font, anchor="ls")
        x += font.getlength(part)


def text_width(text: str, size: int, weight: Weight = "regular") -> float:
    """Return the width of a line in pixels."""
    return _width(text_runs(text, size, weight))


def _width(runs: Runs) -> float:
    return sum(font.getlength(part) for font, part in runs)


def text_runs(text: str, size: int, weight: Weight) -> Runs:
    """Return the runs of one font in a line, in printed order."""
    shaped = joined(text)
    printed = in_printed_order(shaped, right_to_left=reads_right_to_left(shaped))
    return [(_font(name, size), part) for name, part in font_runs(printed, weight)]


def _fitting_runs(text: str, size: int, weight: Weight, room: float) -> Runs:
    def cut(length: int) -> Runs:
        shown = text if length == len(text) else f"{text[:length].rstrip()}…"
        return text_runs(shown, size, weight)

    def too_long(length: int) -> bool:
        return _width(cut(length)) > room

    if not too_long(len(text)):
        return cut(len(text))
    return cut(max(bisect_left(range(len(text)), True, key=too_long) - 1, 0))


@cache
def _font(name: str, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(FOLDER / FILES[name], size, layout_engine=ImageFont.Layout.BASIC)
