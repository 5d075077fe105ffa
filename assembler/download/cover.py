"""The front cover: looked at, and made small enough to travel inside a track file.

Shops ask for a square of 3000 × 3000 pixels, RGB, JPEG or PNG (common practice, no source).
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.manifest.times import shorten

if TYPE_CHECKING:
    from PIL import Image

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
    if not os.path.isfile(path):  # noqa: PTH113  (unlike Path.is_file, it takes any name)
        message = f"{shorten(str(path), 200)}: there is no such picture: check the path"
        yield source.finding("error", "missing-file", _LOC, message)
        return
    looked_at = _look(path)
    if isinstance(looked_at, tuple):
        yield source.finding("error", looked_at[0], _LOC, looked_at[1])
        return
    width, height = looked_at.width, looked_at.height
    if width != height:
        message = f"the cover is not square ({width} × {height} pixels): shops ask for a square"
        yield source.finding("warning", "cover-not-square", _LOC, message)
    elif width < SHOP_PIXELS:
        message = f"the cover has {width} × {height} pixels: shops like {SHOP_PIXELS} a side"
        yield source.finding("note", "small-cover", _LOC, message)
    if looked_at.mode == "CMYK":
        message = "the cover is in print colours (CMYK): screens want RGB; it will be converted"
        yield source.finding("warning", "cover-in-cmyk", _LOC, message)


def _look(path: Path) -> Image.Image | tuple[str, str]:
    """Decode a picture; or give the code and message of what is wrong with it."""
    from PIL import Image, UnidentifiedImageError

    Image.MAX_IMAGE_PIXELS = None  # the bound here is MOST_PIXELS, held before anything is decoded
    try:
        with Image.open(path, formats=("JPEG", "PNG")) as picture:
            if max(picture.size) > MOST_PIXELS:
                size = f"{picture.width} × {picture.height}"
                message = f"the cover has {size} pixels: {SHOP_PIXELS} a side are plenty"
                return "cover-too-large", message
            picture.load()
            return picture
    except UnidentifiedImageError:
        message = f"{path}: is neither a JPEG nor a PNG picture: export it again"
        return "unreadable-cover", message
    except (OSError, ValueError, SyntaxError) as error:
        message = f"{path}: the picture is damaged ({shorten(str(error))}): export it again"
        return "unreadable-cover", message


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
