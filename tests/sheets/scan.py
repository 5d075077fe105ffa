"""A barcode reader from outside the project."""

from __future__ import annotations

import subprocess
from pathlib import Path

import outside
import zxingcpp
from outside import program
from PIL import Image

_NAMES = {"EAN13": "EAN-13", "UPCA": "UPC-A"}


def scanned(picture: Path) -> list[str]:
    """List the barcodes of a picture as zbar reads them, and zxing too: `EAN-13:2000000000145`."""
    with Image.open(picture) as opened:
        codes = zxingcpp.read_barcodes(opened.convert("L"))
    by_zxing = [f"{_NAMES[code.format.name]}:{code.text}" for code in codes]
    if not outside.is_there("zbarimg"):
        return by_zxing
    zbarimg = program("zbarimg", "zbar-tools")
    done = subprocess.run([zbarimg, "-q", str(picture)], capture_output=True, check=False)
    assert done.returncode in (0, 4), done.stderr  # 4: no barcode
    assert done.stdout.decode().split() == by_zxing
    return by_zxing
