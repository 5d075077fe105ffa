"""The front cover: looked at, and made small enough to travel inside a track file.

Shops ask for a square of 3000 × 3000 pixels, RGB, JPEG or PNG (common practice, no source).
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.manifest import ManifestFile

SHOP_PIXELS = 3000
EMBEDDED_PIXELS = 1000
EMBEDDED_BYTES = 500_000
MOST_PIXELS = 12_000
_LOC = ("release", "front_cover")


@dataclass(frozen=True)
class Cover:
    """A front cover.

    Attributes
    ----------
    full
        JPEG at the picture's own size, to lie beside the files.
    embedded
        JPEG of 1000 pixels and 500 kB at the most, for tags.
    width, height
        Of `embedded`, in pixels.
    """

    full: bytes
    embedded: bytes
    width: int
    height: int


def cover_findings(source: ManifestFile) -> Iterator[Finding]:
    """Look at the front cover, if the manifest names one."""
    if source.manifest.release.front_cover is None:
        yield source.finding("note", "no-cover", ("release",), "no front cover is named")
        return
    path = source.resolve(source.manifest.release.front_cover)
    if not path.is_file():
        message = f"{path}: there is no such picture: check the path"
        yield source.finding("error", "missing-file", _LOC, message)
        return
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path, formats=("JPEG", "PNG")) as picture:
            width, height, mode = picture.width, picture.height, picture.mode
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError):
        message = f"{path}: is neither a JPEG nor a PNG picture: export it again"
        yield source.finding("error", "unreadable-cover", _LOC, message)
        return
    if max(width, height) > MOST_PIXELS:
        message = f"the cover has {width} × {height} pixels: {SHOP_PIXELS} a side are plenty"
        yield source.finding("error", "cover-too-large", _LOC, message)
    if width != height:
        message = f"the cover is not square ({width} × {height} pixels): shops ask for a square"
        yield source.finding("warning", "cover-not-square", _LOC, message)
    elif width < SHOP_PIXELS:
        message = (
            f"the cover has {width} × {height} pixels: many shops ask for {SHOP_PIXELS} a side"
        )
        yield source.finding("note", "small-cover", _LOC, message)
    if mode == "CMYK":
        message = "the cover is in print colours (CMYK): screens want RGB; it will be converted"
        yield source.finding("warning", "cover-in-cmyk", _LOC, message)


def read_cover(path: Path) -> Cover:
    """Read a picture and make its JPEGs.

    Raises
    ------
    AssemblerError
        The picture is damaged.
    """
    from PIL import Image

    try:
        with Image.open(path, formats=("JPEG", "PNG")) as opened:
            is_jpeg = opened.format == "JPEG" and opened.mode == "RGB"
            picture = opened.convert("RGB")
        full = path.read_bytes() if is_jpeg else _jpeg(picture, quality=92)
    except (OSError, ValueError) as error:
        raise AssemblerError(f"{path}: the picture is damaged: export it again") from error
    picture.thumbnail((EMBEDDED_PIXELS, EMBEDDED_PIXELS), Image.Resampling.LANCZOS)
    qualities = (90, 82, 74, 66, 50)
    embedded = next(
        (data for q in qualities if len(data := _jpeg(picture, quality=q)) <= EMBEDDED_BYTES),
        _jpeg(picture, quality=30),
    )
    return Cover(full, embedded, picture.width, picture.height)


def _jpeg(picture: object, quality: int) -> bytes:
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality, optimize=True)  # type: ignore[attr-defined]
    return buffer.getvalue()
