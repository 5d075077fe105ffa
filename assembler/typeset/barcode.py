"""The barcode as vector graphics: EAN-13 or UPC-A at nominal size, as PDF and SVG.

GS1 General Specifications, section 5.2 (EAN/UPC symbology), and ISO/IEC 15420: number sets A, B and
C, guard patterns, quiet zones, nominal dimensions (from memory; the tests compare them with two
independent encoders and a reader).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reportlab.lib.units import mm

from assembler.manifest.codes import ean13
from assembler.typeset.blocks import BarcodeSymbol, Sheet
from assembler.typeset.outlines import DESCENT_EM, DIGIT_HEIGHT_EM, FONT, digit_path
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

SET_A = [
    "0001101",
    "0011001",
    "0010011",
    "0111101",
    "0100011",
    "0110001",
    "0101111",
    "0111011",
    "0110111",
    "0001011",
]
SET_C = [pattern.translate(str.maketrans("01", "10")) for pattern in SET_A]
"""Set A with dark and light exchanged."""
SET_B = [pattern[::-1] for pattern in SET_C]
"""Set C read backwards."""
FIRST_DIGIT = [
    "AAAAAA",
    "AABABB",
    "AABBAB",
    "AABBBA",
    "ABAABB",
    "ABBAAB",
    "ABBBAA",
    "ABABAB",
    "ABABBA",
    "ABBABA",
]
"""Sets of the six digits on the left, which encode the first digit of an EAN-13."""
GUARD, CENTRE = "101", "01010"


@dataclass(frozen=True)
class Bar:
    """A dark bar, in modules from the first guard; a long one extends between the digits."""

    start: int
    modules: int
    is_long: bool


@dataclass(frozen=True)
class Digit:
    """A digit below the bars; its centre in modules from the first guard."""

    digit: str
    centre: float
    scale: float = 1.0


@dataclass(frozen=True)
class Symbol:
    """The bars and digits of a barcode.

    Attributes
    ----------
    kind
        EAN-13 or UPC-A.
    code
        13 or 12 digits.
    left_quiet, right_quiet
        Quiet zones, in modules.
    """

    kind: str
    code: str
    left_quiet: int
    right_quiet: int
    bars: tuple[Bar, ...]
    digits: tuple[Digit, ...]


def module_pattern(code: str) -> str:
    """Return the 95 modules of a barcode, 1 for dark, from the first guard to the last.

    Parameters
    ----------
    code
        13 digits of an EAN-13 or 12 of a UPC-A, with a correct check digit.
    """
    digits = [int(digit) for digit in ean13(code)]
    sets = {"A": SET_A, "B": SET_B}
    left = "".join(
        sets[name][digit] for name, digit in zip(FIRST_DIGIT[digits[0]], digits[1:7], strict=True)
    )
    right = "".join(SET_C[digit] for digit in digits[7:])
    return f"{GUARD}{left}{CENTRE}{right}{GUARD}"


def barcode_symbol(code: str) -> Symbol:
    """Return the symbol of a code.

    Thirteen digits that begin with 0 are a UPC-A, and are drawn as one.
    """
    is_upc = ean13(code).startswith("0")
    code = ean13(code)[1:] if is_upc else code
    digits = _upc_digits(code) if is_upc else _ean_digits(code)
    quiet = (9, 9) if is_upc else (11, 7)
    ends = 10 if is_upc else 3  # a UPC-A's first and last digit have long bars too
    bars = _bars(module_pattern(code), ends)
    return Symbol("UPC-A" if is_upc else "EAN-13", code, *quiet, bars, digits)


def _bars(pattern: str, ends: int) -> tuple[Bar, ...]:
    bars: list[Bar] = []
    start = 0
    while (start := pattern.find("1", start)) >= 0:
        end = (pattern + "0").find("0", start)
        is_long = start < ends or 45 <= start < 50 or start >= 95 - ends
        bars.append(Bar(start, end - start, is_long))
        start = end
    return tuple(bars)


def _ean_digits(code: str) -> tuple[Digit, ...]:
    """Place each digit under its bars, and the first at the outer edge of the quiet zone."""
    left = [Digit(digit, 6.5 + 7 * n) for n, digit in enumerate(code[1:7])]
    right = [Digit(digit, 53.5 + 7 * n) for n, digit in enumerate(code[7:])]
    return (Digit(code[0], -7.5), *left, *right)


def _upc_digits(code: str) -> tuple[Digit, ...]:
    """Place ten digits under their bars, and the outer two smaller, five modules away from them."""
    left = [Digit(digit, 13.5 + 7 * n) for n, digit in enumerate(code[1:6])]
    right = [Digit(digit, 53.5 + 7 * n) for n, digit in enumerate(code[6:11])]
    return (Digit(code[0], -7, SMALL), *left, *right, Digit(code[11], 102, SMALL))


def draw_barcode(canvas: Any, code: str, x_pt: float, y_pt: float) -> None:
    """Draw a barcode at nominal size on a reportlab canvas: black on a white area.

    The white area keeps the quiet zones light on a sleeve of any colour.

    Parameters
    ----------
    x_pt, y_pt
        Lower left corner, quiet zone and digits included.
    """
    symbol = barcode_symbol(code)
    first_pt = x_pt + symbol.left_quiet * MODULE_MM * mm
    top_pt = y_pt + HEIGHT_MM * mm
    canvas.setFillGray(1)
    canvas.rect(x_pt, y_pt, WIDTH_MM * mm, HEIGHT_MM * mm, stroke=0, fill=1)
    canvas.setFillGray(0)
    path = canvas.beginPath()
    for bar in symbol.bars:
        height = GUARD_MM if bar.is_long else BAR_MM
        x, width = first_pt + bar.start * MODULE_MM * mm, bar.modules * MODULE_MM * mm
        path.rect(x, top_pt - height * mm, width, height * mm)
    canvas.drawPath(path, stroke=0, fill=1)
    text = canvas.beginText()
    with copied_as(text, BarcodeSymbol(symbol.code).text):
        for digit in symbol.digits:
            size_pt = digit.scale * DIGIT_MM / DIGIT_HEIGHT_EM * mm
            centre_pt = first_pt + digit.centre * MODULE_MM * mm
            half_pt = width_em(digit.digit, "regular") * size_pt / 2
            text.setTextOrigin(centre_pt - half_pt, y_pt + DESCENT_EM * size_pt)
            text.setFont(registered(FONT), size_pt)
            text.textOut(digit.digit)
    canvas.drawText(text)


def barcode_svg(code: str) -> str:
    """Return a barcode as SVG in millimetres; its digits are outlines."""
    symbol = barcode_symbol(code)
    first_mm = symbol.left_quiet * MODULE_MM
    bars = " ".join(
        f"M{_mm(first_mm + bar.start * MODULE_MM)} 0h{_mm(bar.modules * MODULE_MM)}"
        f"v{_mm(GUARD_MM if bar.is_long else BAR_MM)}h{_mm(-bar.modules * MODULE_MM)}z"
        for bar in symbol.bars
    )
    digits = [_svg_digit(digit, first_mm) for digit in symbol.digits]
    shown = BarcodeSymbol(symbol.code).text
    return "\n".join(
        (
            '<?xml version="1.0" encoding="UTF-8"?>',
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM}mm" height="{HEIGHT_MM}mm"'
            f' viewBox="0 0 {WIDTH_MM} {HEIGHT_MM}">',
            f"<title>{symbol.kind} {shown}</title>",
            f'<rect width="{WIDTH_MM}" height="{HEIGHT_MM}" fill="#fff"/>',
            f'<path fill="#000" shape-rendering="crispEdges" d="{bars}"/>',
            *digits,
            "</svg>\n",
        )
    )


def _svg_digit(digit: Digit, first_mm: float) -> str:
    size_mm = digit.scale * DIGIT_MM / DIGIT_HEIGHT_EM
    centre_mm = first_mm + digit.centre * MODULE_MM
    x_mm = centre_mm - width_em(digit.digit, "regular") * size_mm / 2
    y_mm = HEIGHT_MM - DESCENT_EM * size_mm
    return f'<path fill="#000" d="{digit_path(digit.digit, x_mm, y_mm, size_mm)}"/>'


def _mm(length: float) -> str:
    return f"{length:.4f}".rstrip("0").rstrip(".")


def write_barcode(code: str, folder: Path) -> None:
    """Write ``barcode.pdf`` and ``barcode.svg``: the symbol with its quiet zones.

    Parameters
    ----------
    code
        13 digits of an EAN-13 or 12 of a UPC-A.
    folder
        Created if missing.
    """
    folder.mkdir(parents=True, exist_ok=True)
    svg = barcode_svg(code)
    (folder / "barcode.svg").write_text(svg, encoding="utf-8", newline="\n")
    symbol = barcode_symbol(code)
    sheet = Sheet("", f"{symbol.kind} {symbol.code}", (), "Barcode", None, ())
    canvas = new_document(folder / "barcode.pdf", sheet, (WIDTH_MM * mm, HEIGHT_MM * mm))
    draw_barcode(canvas, code, 0, 0)
    canvas.showPage()
    canvas.save()
