"""The barcode as vector graphics: EAN-13 or UPC-A at nominal size, as PDF and SVG.

GS1 General Specifications, section 5.2 (EAN/UPC symbology), and ISO/IEC 15420: guard patterns,
quiet zones, nominal dimensions (from memory; the tests compare them with an independent encoder
and a reader). reportlab encodes the digits.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from fontTools.pens.svgPathPen import SVGPathPen
from fontTools.pens.transformPen import TransformPen
from fontTools.ttLib import TTFont
from reportlab.lib.units import mm

from assembler.manifest.codes import ean13
from assembler.typeset.blocks import BarcodeSymbol, Sheet
from assembler.typeset.fonts import FILES, FOLDER
from assembler.typeset.pdf_document import copied_as, new_document
from assembler.typeset.pdf_fonts import registered, width_em

MODULE_MM = 0.33
"""The X-dimension at nominal size."""
WIDTH_MM, HEIGHT_MM = 37.29, 25.93
"""Nominal size: 113 modules with the quiet zones; bars and the digits below them."""
BAR_MM = 22.85
GUARD_MM = BAR_MM + 5 * MODULE_MM
DIGIT_MM = HEIGHT_MM - BAR_MM - MODULE_MM
"""Height of the digits, one module below the bars: 2.75 mm."""
SMALL = 0.7
"""Size of a UPC-A's first and last digit, so that they fit into four modules."""
FONT, UNITS_PER_EM = "DejaVuSans", 2048
DESCENT_EM = 29 / UNITS_PER_EM
"""How far round digits extend below the baseline."""
DIGIT_SIZE_MM = DIGIT_MM / (1520 / UNITS_PER_EM + DESCENT_EM)
"""Size of type whose tallest digit is 1520 units above the baseline."""


class Bar(NamedTuple):
    """A dark bar, in modules from the first guard; a long one extends between the digits."""

    start: int
    modules: int
    is_long: bool


class Digit(NamedTuple):
    """A digit below the bars; its centre in modules from the first guard."""

    digit: str
    centre: float
    scale: float = 1.0


class Symbol(NamedTuple):
    """An EAN-13 of 13 digits or a UPC-A of 12; its quiet zones in modules."""

    kind: str
    code: str
    left_quiet: int
    right_quiet: int
    digits: tuple[Digit, ...]


def barcode_symbol(code: str) -> Symbol:
    """Return the symbol of a code.

    Thirteen digits that begin with 0 are a UPC-A, and are drawn as one.
    """
    code = ean13(code)
    if not code.startswith("0"):
        # each digit under its bars, and the first at the outer edge of the quiet zone
        digits = (Digit(code[0], -7.5), *_row(code[1:7], 6.5), *_row(code[7:], 53.5))
        return Symbol("EAN-13", code, 11, 7, digits)
    first, left, right, last = code[1], code[2:7], code[7:12], code[12]
    digits = (*_row(left, 13.5), *_row(right, 53.5))
    outer = Digit(first, -7, SMALL), Digit(last, 102, SMALL)
    return Symbol("UPC-A", code[1:], 9, 9, (outer[0], *digits, outer[1]))


def _row(digits: str, first_centre: float) -> tuple[Digit, ...]:
    return tuple(Digit(digit, first_centre + 7 * n) for n, digit in enumerate(digits))


def barcode_bars(symbol: Symbol) -> list[Bar]:
    """Return the 30 dark bars of a symbol, in order."""
    from reportlab.graphics.barcode.eanbc import Ean13BarcodeWidget
    from reportlab.graphics.shapes import Rect

    ends = 10 if symbol.kind == "UPC-A" else 3  # a UPC-A's first and last digit have long bars too
    widget = Ean13BarcodeWidget(ean13(symbol.code)[:12], barWidth=1, quiet=0)
    drawn = (shape for shape in widget.draw().contents if isinstance(shape, Rect))
    bars = sorted((round(bar.x), round(bar.width)) for bar in drawn if bar.fillColor)
    return [
        Bar(start, modules, start < ends or 45 <= start < 50 or start >= 95 - ends)
        for start, modules in bars
    ]


def _bars_mm(symbol: Symbol) -> Iterator[tuple[float, float, float]]:
    """Yield left edge, width and height of each bar."""
    for bar in barcode_bars(symbol):
        left_mm = (symbol.left_quiet + bar.start) * MODULE_MM
        yield left_mm, bar.modules * MODULE_MM, GUARD_MM if bar.is_long else BAR_MM


def _digits_mm(symbol: Symbol) -> Iterator[tuple[str, float, float, float]]:
    """Yield each digit with its left edge, its height above the lower edge and its size."""
    for digit, centre, scale in symbol.digits:
        size_mm = scale * DIGIT_SIZE_MM
        centre_mm = (symbol.left_quiet + centre) * MODULE_MM
        left_mm = centre_mm - width_em(digit, "regular") * size_mm / 2
        yield digit, left_mm, DESCENT_EM * size_mm, size_mm


def draw_barcode(canvas: Any, code: str, x_pt: float, y_pt: float) -> None:
    """Draw a barcode at nominal size on a reportlab canvas, from its lower left corner.

    The white area below it keeps the quiet zones light on a sleeve of any colour.
    """
    symbol = barcode_symbol(code)
    canvas.setFillGray(1)
    canvas.rect(x_pt, y_pt, WIDTH_MM * mm, HEIGHT_MM * mm, stroke=0, fill=1)
    canvas.setFillGray(0)
    path = canvas.beginPath()
    for left, width, height in _bars_mm(symbol):
        path.rect(x_pt + left * mm, y_pt + (HEIGHT_MM - height) * mm, width * mm, height * mm)
    canvas.drawPath(path, stroke=0, fill=1)
    text = canvas.beginText()
    with copied_as(text, BarcodeSymbol(symbol.code).text):
        for digit, left, above, size in _digits_mm(symbol):
            text.setTextOrigin(x_pt + left * mm, y_pt + above * mm)
            text.setFont(registered(FONT), size * mm)
            text.textOut(digit)
    canvas.drawText(text)


def barcode_svg(code: str) -> str:
    """Return a barcode as SVG in millimetres; its digits are outlines."""
    symbol = barcode_symbol(code)
    bars = " ".join(
        f"M{_mm(left)} 0h{_mm(width)}v{_mm(height)}h{_mm(-width)}z"
        for left, width, height in _bars_mm(symbol)
    )
    digits = "\n".join(
        f'<path fill="#000" d="{_outline(digit, left, HEIGHT_MM - above, size)}"/>'
        for digit, left, above, size in _digits_mm(symbol)
    )
    return f"""\
<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM}mm" height="{HEIGHT_MM}mm" \
viewBox="0 0 {WIDTH_MM} {HEIGHT_MM}">
<title>{symbol.kind} {BarcodeSymbol(symbol.code).text}</title>
<rect width="{WIDTH_MM}" height="{HEIGHT_MM}" fill="#fff"/>
<path fill="#000" shape-rendering="crispEdges" d="{bars}"/>
{digits}
</svg>
"""


def _outline(digit: str, x: float, y: float, size: float) -> str:
    """Return the path of a digit; y grows downwards."""
    glyphs = _font().getGlyphSet()
    pen = SVGPathPen(glyphs, ntos="{:.3f}".format)
    scale = size / UNITS_PER_EM
    name = _font().getBestCmap()[ord(digit)]
    glyphs[name].draw(TransformPen(pen, (scale, 0, 0, -scale, x, y)))
    return str(pen.getCommands())


@cache
def _font() -> Any:
    return TTFont(FOLDER / FILES[FONT])


def _mm(length: float) -> str:
    return f"{length:.4f}".rstrip("0").rstrip(".")


def write_barcode(code: str, folder: Path) -> None:
    """Write ``barcode.pdf`` and ``barcode.svg``: the symbol with its quiet zones."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "barcode.svg").write_bytes(barcode_svg(code).encode())
    symbol = barcode_symbol(code)
    sheet = Sheet("", f"{symbol.kind} {symbol.code}", (), "Barcode", None, ())
    canvas = new_document(folder / "barcode.pdf", sheet, (WIDTH_MM * mm, HEIGHT_MM * mm))
    draw_barcode(canvas, code, 0, 0)
    canvas.showPage()
    canvas.save()
