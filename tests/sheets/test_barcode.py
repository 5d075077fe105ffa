"""The barcode is that of the standard, at its size, and a scanner reads it back.

GS1 General Specifications, section 5.2, and ISO/IEC 15420 (tables from memory; worked by hand
below, compared with zxing's encoder, and read back by zbar and zxing).
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pypdf
import pytest
import resvg_py
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st
from outside import output_of
from PIL import Image
from sheets.scan import scanned

from assembler.manifest.codes import gs1_check_digit
from assembler.typeset.barcode import barcode_bars, barcode_symbol, write_barcode

EAN, UPC = "2000000000145", "036000291452"
DOTS_PER_MM = 50
DPI = str(DOTS_PER_MM * 25.4)


@pytest.fixture(params=["pdf", "svg"])
def picture(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Return a folder in which a file of a kind can be rendered."""
    (tmp_path / "kind").write_text(request.param, encoding="utf-8")
    return tmp_path


def rendered(folder: Path, code: str) -> Path:
    """Render the barcode with a program from outside, 50 dots a millimetre."""
    write_barcode(code, folder)
    kind = (folder / "kind").read_text(encoding="utf-8")
    target = folder / f"{code}.png"
    if kind == "pdf":
        output_of(
            "pdftoppm", "-r", DPI, "-gray", "-png", "-singlefile", folder / "barcode.pdf",
            target.with_suffix(""), package="poppler-utils",
        )  # fmt: skip
    else:
        svg = (folder / "barcode.svg").read_text(encoding="utf-8")
        target.write_bytes(bytes(resvg_py.svg_to_bytes(svg_string=svg, dpi=int(float(DPI)))))
    return target


def _dark(path: Path) -> np.ndarray:
    return np.asarray(Image.open(path).convert("L")) < 128


def module_pattern(code: str) -> str:
    """Return the 95 modules of a barcode, 1 for dark, from the first guard to the last."""
    modules = ["0"] * 95
    for start, width, _ in barcode_bars(barcode_symbol(code)):
        modules[start : start + width] = "1" * width
    return "".join(modules)


def test_modules_of_an_ean_13_worked_by_hand() -> None:
    # 2 000000 000145: the first digit 2 asks for the sets AABBAB on the left, C on the right.
    # A0 0001101, B0 0100111, C0 1110010, C1 1100110, C4 1011100, C5 1001110
    left = "000110100011010100111010011100011010100111"
    right = "111001011100101110010110011010111001001110"
    assert module_pattern(EAN) == f"101{left}01010{right}101"


def test_modules_of_a_upc_a_worked_by_hand() -> None:
    # 0 36000 29145 2: set A alone on the left.
    # A0 0001101, A3 0111101, A6 0101111, C1 1100110, C2 1101100, C4 1011100, C5 1001110, C9 1110100
    left = "000110101111010101111000110100011010001101"
    right = "110110011101001100110101110010011101101100"
    assert module_pattern(UPC) == f"101{left}01010{right}101"
    assert module_pattern("0" + UPC) == module_pattern(UPC)


@given(st.from_regex(r"[0-9]{12}", fullmatch=True))
@settings(max_examples=60, deadline=None)
def test_modules_are_those_of_another_encoder(digits: str) -> None:
    code = f"{digits}{gs1_check_digit(digits)}"
    other = zxingcpp.create_barcode(code, zxingcpp.BarcodeFormat.EAN13)
    row = np.asarray(other.to_image(scale=1, add_quiet_zones=False))[0]
    assert module_pattern(code) == "".join("1" if grey < 128 else "0" for grey in row)


def test_guard_bars_are_longer_and_quiet_zones_are_the_standards() -> None:
    # GS1: 11 and 7 modules for an EAN-13, 9 and 9 for a UPC-A, whose outer digits are long too
    ean, upc = barcode_symbol(EAN), barcode_symbol(UPC)
    assert (ean.kind, ean.left_quiet, ean.right_quiet) == ("EAN-13", 11, 7)
    assert (upc.kind, upc.left_quiet, upc.right_quiet) == ("UPC-A", 9, 9)
    assert [bar.start for bar in barcode_bars(ean) if bar.is_long] == [0, 2, 46, 48, 92, 94]
    # the first digit 0 is 0001101, dark at 3 and 6 after the guard; the last, C2, is 1101100
    assert [bar.start for bar in barcode_bars(upc) if bar.is_long] == [
        0,
        2,
        6,
        9,
        46,
        48,
        85,
        88,
        92,
        94,
    ]
    assert len(barcode_bars(ean)) == len(barcode_bars(upc)) == 30
    assert barcode_symbol("0" + UPC) == upc


@pytest.mark.parametrize("code", [EAN, UPC, "6291041500213"])
def test_a_scanner_reads_it_back(picture: Path, code: str) -> None:
    assert scanned(rendered(picture, code)) == [f"EAN-13:{code.zfill(13)}"]


@given(st.from_regex(r"[0-9]{12}", fullmatch=True))
@settings(max_examples=12, deadline=None)
def test_a_scanner_reads_any_number_back(
    tmp_path_factory: pytest.TempPathFactory, digits: str
) -> None:
    folder = tmp_path_factory.mktemp("scan")
    (folder / "kind").write_text("pdf", encoding="utf-8")
    code = f"{digits}{gs1_check_digit(digits)}"
    assert scanned(rendered(folder, code)) == [f"EAN-13:{code}"]


@pytest.mark.parametrize(("code", "left", "right"), [(EAN, 11, 7), (UPC, 9, 9)])
def test_nothing_is_printed_in_the_quiet_zones(
    picture: Path, code: str, left: int, right: int
) -> None:
    dark = _dark(rendered(picture, code))
    bars = dark[: int(22.85 * DOTS_PER_MM)]
    module = 0.33 * DOTS_PER_MM
    assert not bars[:, : int(left * module)].any()
    assert not bars[:, -int(right * module) + 1 :].any()
    assert bars[:, int(left * module) + 1 : int((left + 1) * module)].all()


@pytest.mark.parametrize("code", [EAN, UPC])
def test_bars_are_at_their_modules(picture: Path, code: str) -> None:
    row = _dark(rendered(picture, code))[DOTS_PER_MM]
    left = barcode_symbol(code).left_quiet
    middles = [int((left + n + 0.5) * 0.33 * DOTS_PER_MM) for n in range(95)]
    assert "".join("1" if row[middle] else "0" for middle in middles) == module_pattern(code)


@pytest.mark.parametrize("code", [EAN, UPC])
def test_heights_are_nominal(picture: Path, code: str) -> None:
    # GS1: bars 22.85 mm, guards five modules longer, 25.93 mm with the digits
    dark = _dark(rendered(picture, code))
    module = 0.33 * DOTS_PER_MM
    guard = dark[:, int((barcode_symbol(code).left_quiet + 0.5) * module)]
    assert guard.sum() / DOTS_PER_MM == pytest.approx(22.85 + 5 * 0.33, abs=0.05)
    lowest = np.flatnonzero(dark.any(axis=1))[-1] / DOTS_PER_MM
    assert lowest == pytest.approx(25.93, abs=0.06)


def test_both_files_have_the_nominal_size(tmp_path: Path) -> None:
    write_barcode(EAN, tmp_path)
    box = pypdf.PdfReader(tmp_path / "barcode.pdf").pages[0].mediabox
    assert float(box.width) / 72 * 25.4 == pytest.approx(37.29, abs=0.001)
    assert float(box.height) / 72 * 25.4 == pytest.approx(25.93, abs=0.001)
    svg = (tmp_path / "barcode.svg").read_text(encoding="utf-8")
    assert 'width="37.29mm" height="25.93mm" viewBox="0 0 37.29 25.93"' in svg


@pytest.mark.wants("pdffonts")
def test_digits_are_embedded_in_the_pdf_and_outlines_in_the_svg(tmp_path: Path) -> None:
    write_barcode(UPC, tmp_path)
    pdf = tmp_path / "barcode.pdf"
    fonts = output_of("pdffonts", pdf, package="poppler-utils").splitlines()[2:]
    assert fonts
    assert all(re.search(r" yes yes yes +\d", font) for font in fonts)
    shown = output_of("pdftotext", pdf, "-", package="poppler-utils")
    assert shown.split() == ["0", "36000", "29145", "2"]
    svg = (tmp_path / "barcode.svg").read_text(encoding="utf-8")
    assert svg.count("<path") == 1 + 12
    assert "<text" not in svg


def test_digits_of_the_drawing_look_like_those_of_the_font(tmp_path: Path) -> None:
    """poppler draws the PDF's from the embedded font, librsvg the SVG's from their outlines."""
    code = "6291041500213"  # has most digits
    strips = {}
    for kind, shown in (("pdf", code), ("svg", code), ("other", EAN)):
        folder = tmp_path / kind
        folder.mkdir()
        (folder / "kind").write_text(kind.replace("other", "svg"), encoding="utf-8")
        strips[kind] = _dark(rendered(folder, shown))[int(24.6 * DOTS_PER_MM) :, : 37 * DOTS_PER_MM]
    ink = strips["pdf"].mean()
    assert (strips["pdf"] ^ strips["svg"]).mean() < 0.15 * ink
    assert (strips["pdf"] ^ strips["other"]).mean() > 0.6 * ink


def test_the_same_bytes_each_time(tmp_path: Path) -> None:
    for folder in ("one", "two"):
        write_barcode(EAN, tmp_path / folder)
    for name in ("barcode.pdf", "barcode.svg"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    assert b"Date" not in (tmp_path / "one" / "barcode.pdf").read_bytes()
