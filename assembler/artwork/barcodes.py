"""Read the barcode of a page at 300 dpi: its digits, size, quiet zones and contrast.

GS1 General Specifications, section 5.2: 95 modules of 0.33 mm at nominal size, 80 to 200 %; quiet
zones of 11 and 7 modules, 9 and 9 for a UPC-A. Scanners read in red light.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image

from assembler.artwork.parts import ArtworkFinding, ArtworkPage, panels_of
from assembler.artwork.reading import Box, overlap
from assembler.findings import Severity
from assembler.manifest.codes import ean13
from assembler.typeset.barcode import MODULE_MM, barcode_symbol

_MODULES = 95
_LEAST, _MOST = 0.8, 2.0
_TOLERANCE = 0.02
_QUIET_TOLERANCE = 1.0
"""In modules: a zone is measured to a dot of the picture."""
_LEAST_CONTRAST = 0.5
Picture = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Barcode:
    """A barcode on a page."""

    page: ArtworkPage
    digits: str
    box: Box
    magnification: float
    left_quiet: float
    right_quiet: float
    """In modules."""
    contrast: float
    """In red light: of paper and bars, from 0 to 1; below 0 where the bars are lighter."""

    def as_json(self) -> dict[str, object]:
        """Return it as plain data."""
        return {
            "file": str(self.page.path),
            "page": self.page.number,
            "digits": self.digits,
            "box_mm": [round(value, 1) for value in self.box],
            "magnification_percent": round(100 * self.magnification),
            "quiet_modules": [round(self.left_quiet, 1), round(self.right_quiet, 1)],
            "contrast": round(self.contrast, 2),
        }


def barcodes_on(page: ArtworkPage, bleed: float) -> list[Barcode]:
    """Return the barcodes of EAN and UPC kind on a page."""
    import zxingcpp

    kinds = (zxingcpp.BarcodeFormat.EAN13, zxingcpp.BarcodeFormat.UPCA)
    rgb = page.picture
    grey = np.asarray(Image.fromarray(rgb).convert("L"))
    paper = (-bleed, -bleed, page.width + bleed, page.height + bleed)
    found = []
    read = zxingcpp.read_barcodes(grey, formats=kinds)
    if not read and _has_place(page):
        read = zxingcpp.read_barcodes(255 - grey, formats=kinds)
    for one in read:
        corners = [
            (one.position.top_left.x, one.position.top_left.y),
            (one.position.top_right.x, one.position.top_right.y),
            (one.position.bottom_right.x, one.position.bottom_right.y),
            (one.position.bottom_left.x, one.position.bottom_left.y),
        ]
        barcode = _measured(page, rgb, ean13(one.text), np.array(corners, float))
        if overlap(barcode.box, paper):
            found.append(barcode)
    return found


def _has_place(page: ArtworkPage) -> bool:
    """Return whether a page has the panel that carries the barcode."""
    return any(box.panel.text in ("back", "barcode") for box in panels_of(page))


def _measured(page: ArtworkPage, rgb: Picture, digits: str, corners: Points) -> Barcode:
    """Measure a barcode along a line through the middle of its bars."""
    dots = page.reading.dpi / 25.4
    start, end = (corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2
    long = float(np.hypot(*(end - start)))
    unit = (end - start) / max(long, 1)
    row = _line(rgb, start - unit * 0.35 * long, unit, 1.7 * long)
    dark, light = _levels(row[round(0.35 * long) : round(1.35 * long)])
    is_dark = row < (dark + light) / 2
    if _mean_ends(row, long) < (dark + light) / 2:
        is_dark = ~is_dark
        dark, light = light, dark
    first, last = _ends(is_dark, round(0.35 * long), round(1.35 * long))
    module = (last - first + 1) / _MODULES
    left = _clear(is_dark[:first][::-1]) / module
    right = _clear(is_dark[last + 1 :]) / module
    box = np.array([*corners.min(axis=0), *corners.max(axis=0)]) / dots
    box -= [page.trim[0], page.trim[1], page.trim[0], page.trim[1]]
    x0, y0, x1, y1 = map(float, box)
    size = (last - first + 1) / dots / (_MODULES * MODULE_MM)
    return Barcode(page, digits, (x0, y0, x1, y1), size, left, right, (light - dark) / 255)


Points = npt.NDArray[np.float64]
Row = npt.NDArray[np.float64]


def _line(rgb: Picture, start: Points, unit: Points, length: float) -> Row:
    """Return the red channel along a line, dot by dot; beyond the page it is dark."""
    steps = start + np.arange(round(length))[:, None] * unit
    x, y = np.round(steps).astype(int).T
    on_page = (x >= 0) & (y >= 0) & (x < rgb.shape[1]) & (y < rgb.shape[0])
    row = np.zeros(len(steps))
    row[on_page] = rgb[y[on_page], x[on_page], 0]
    return row


def _levels(row: Row) -> tuple[float, float]:
    dark, light = np.percentile(row, (10, 90))
    return float(dark), float(light)


def _mean_ends(row: Row, long: float) -> float:
    """Return the level just before the first bar and behind the last."""
    near, module = round(0.35 * long), max(1, round(long / _MODULES))
    before = row[max(0, near - 2 * module) : max(1, near - module // 2)]
    behind = row[near + round(long) + module // 2 : near + round(long) + 2 * module]
    return float(np.mean([*before, *behind] or [255.0]))


def _ends(is_dark: npt.NDArray[np.bool_], start: int, end: int) -> tuple[int, int]:
    """Return the first and the last dark dot between two places, and a little beyond."""
    spare = max(2, (end - start) // 60)
    dark = np.flatnonzero(is_dark[max(0, start - spare) : end + spare]) + max(0, start - spare)
    return (int(dark[0]), int(dark[-1])) if len(dark) else (start, end)


def _clear(is_dark: npt.NDArray[np.bool_]) -> int:
    dark = np.flatnonzero(is_dark)
    return int(dark[0]) if len(dark) else len(is_dark)


def barcode_findings(
    pages: Sequence[ArtworkPage], barcodes: Sequence[Barcode], code: str | None
) -> Iterator[ArtworkFinding]:
    """Check the barcodes of all pages against the manifest's.

    Parameters
    ----------
    pages
        The artwork.
    barcodes
        Those on it.
    code
        The manifest's barcode, if it has one.
    """
    for barcode in barcodes:
        yield from _one(barcode, code)
    for part in dict.fromkeys(page.part for page in pages):
        of_part = [page for page in pages if page.part == part]
        places = [page for page in of_part if _has_place(page)]
        if code and places and not any(barcode.page.part == part for barcode in barcodes):
            message = (
                f"no barcode of {code} that scans at 300 dpi: place barcode.pdf of the release at "
                "80 to 200 %, dark on light"
            )
            on_back = any(box.panel.text == "back" for box in panels_of(places[0]))
            severity: Severity = "error" if on_back else "warning"  # a J-card may have a sticker
            yield places[0].finding(severity, "no-barcode", message)


def _one(barcode: Barcode, code: str | None) -> Iterator[ArtworkFinding]:
    page, box = barcode.page, barcode.box
    if not code:
        message = f"barcode {barcode.digits} is not in the manifest: enter it, or remove it"
        yield page.finding("error", "barcode-differs", message, box)
        return
    if ean13(barcode.digits) != ean13(code):
        message = f"barcode scans as {barcode.digits}, the manifest has {code}: replace it"
        yield page.finding("error", "barcode-differs", message, box)
    percent = 100 * barcode.magnification
    if not _LEAST - _TOLERANCE <= barcode.magnification <= _MOST + _TOLERANCE:
        message = f"barcode is {percent:.0f} % of its nominal size: 80 to 200 % scan"
        yield page.finding("error", "barcode-size", message, box)
    symbol = barcode_symbol(barcode.digits)
    for side, clear, wanted in (
        ("left", barcode.left_quiet, symbol.left_quiet),
        ("right", barcode.right_quiet, symbol.right_quiet),
    ):
        if clear < wanted - _QUIET_TOLERANCE:
            message = (
                f"barcode’s quiet zone at the {side} is {clear:.0f} modules, {wanted} are needed: "
                "keep the area free"
            )
            yield page.finding("error", "barcode-quiet-zone", message, box)
    if barcode.contrast < _LEAST_CONTRAST:
        what = (
            "is light on dark" if barcode.contrast < 0 else "has too little contrast in red light"
        )
        message = f"barcode {what}: print it in black or dark blue on white"
        yield page.finding("error", "barcode-colours", message, box)
