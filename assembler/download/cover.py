"""Cover pictures: checked, and reduced for tags.

Shops ask for a square of 3000 × 3000 pixels or more (iMusician, Ditto, LabelCaster, Boomkit), RGB,
JPEG or PNG.
"""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from assembler.errors import AssemblerError
from assembler.findings import Finding, Loc, Severity
from assembler.manifest import ManifestFile
from assembler.text import shorten

if TYPE_CHECKING:
    from PIL import Image, ImageCms

SHOP_PIXELS = 3000
EMBEDDED_PIXELS = 1000
EMBEDDED_BYTES = 500_000
MOST_PIXELS = 12_000
_STRIP_ROWS = 256
MOST_BYTES = 10_000_000
"""Upload forms accept about 10 MB (common practice, from memory)."""
_KINDS = ("JPEG", "PNG")
_ORIENTATION = 0x0112
"""EXIF tag: how a viewer must rotate the picture; 1 is upright."""
_COLOURS: dict[str, tuple[Severity, str, str]] = {
    "CMYK": (
        "warning",
        "cover-in-cmyk",
        "is in print colours (CMYK), and screens need RGB: it will be converted, so check the "
        "result",
    ),
    "L": ("note", "cover-in-grey", "is greyscale: it will be saved as RGB"),
    "I;16": ("note", "cover-in-grey", "is greyscale: it will be saved as RGB"),
    "P": ("note", "cover-in-palette", "has a colour palette: it will be saved as RGB"),
}
"""Findings about pictures that are not RGB, by their mode; none for black and white."""

Problem = tuple[Severity, str, str]
"""Severity, code and message of a finding."""


@dataclass(frozen=True)
class Cover:
    """A front or back cover."""

    full: bytes
    """JPEG at the picture's own size, for the download folder."""
    embedded: bytes
    """JPEG of at most 1000 pixels and 500 kB, for tags."""
    width: int
    height: int
    """Size of `embedded`, in pixels."""


def cover_findings(source: ManifestFile) -> Iterator[Finding]:
    """Check the front cover, if the manifest names one."""
    name = source.manifest.release.front_cover
    if name is None:
        if not source.is_wrong("release", "front_cover"):
            message = "the release has no front cover: name a picture with `front_cover`"
            yield source.finding("note", "no-cover", ("release",), message)
        return
    yield from picture_findings(source, name, ("release", "front_cover"))


def picture_findings(source: ManifestFile, name: str, loc: Loc) -> Iterator[Finding]:
    """Check a picture that the manifest names at a place."""
    path = source.resolve(name)
    if os.path.isfile(path):  # noqa: PTH113  (unlike Path.is_file, it accepts any name)
        problems = list(_problems(path))
    else:
        message = f"{shorten(str(path), 200)}: there is no such picture: check the path"
        problems = [("error", "missing-file", message)]
    for severity, code, message in problems:
        yield source.finding(severity, code, loc, message)


def _problems(path: Path) -> Iterator[Problem]:
    picture = _open(path)
    if isinstance(picture, tuple):
        yield picture
        return
    width, height = picture.width, picture.height
    if width != height:
        message = (
            f"the cover is not square ({width} × {height} pixels): shops need a square picture"
        )
        yield "warning", "cover-not-square", message
    if min(width, height) < SHOP_PIXELS:
        size = f"{width}" if width == height else f"{width} × {height}"
        message = f"the cover has {size} pixels: shops prefer {SHOP_PIXELS} × {SHOP_PIXELS}"
        yield "note", "small-cover", message
    if picture.has_transparency_data:
        message = "the cover has transparent parts: they will be white"
        yield "warning", "cover-transparent", message
    elif colours := _COLOURS.get(picture.mode):
        severity, code, what = colours
        yield severity, code, f"the cover {what}"
    if picture.getexif().get(_ORIENTATION, 1) != 1:
        message = "the cover is rotated by its EXIF tag: it will be saved upright"
        yield "note", "cover-turned", message
    size_bytes = path.stat().st_size
    if size_bytes > MOST_BYTES:
        message = (
            f"the cover has {size_bytes / 1e6:.1f} MB, and shops accept at most "
            f"{MOST_BYTES / 1e6:.0f} MB: export it as a smaller JPEG"
        )
        yield "note", "heavy-cover", message


def _open(path: Path) -> Image.Image | Problem:
    """Decode a picture, or return what is wrong with it."""
    from PIL import Image, UnidentifiedImageError

    Image.MAX_IMAGE_PIXELS = None  # the limit is MOST_PIXELS, checked before decoding
    try:
        with Image.open(path, formats=_KINDS) as picture:
            if max(picture.size) > MOST_PIXELS:
                size = f"{picture.width} × {picture.height}"
                message = (
                    f"the cover has {size} pixels, too many: reduce it to {SHOP_PIXELS} × "
                    f"{SHOP_PIXELS}"
                )
                return "error", "cover-too-large", message
            picture.load()
            return picture
    except UnidentifiedImageError:
        message = f"{path}: this is not a JPEG or PNG picture: export it as one"
        return "error", "unreadable-cover", message
    except (OSError, ValueError, SyntaxError) as error:
        message = f"{path}: the picture is damaged ({shorten(str(error))}): export it again"
        return "error", "unreadable-cover", message


def picture_size(path: Path) -> tuple[int, int] | None:
    """Return a picture's width and height in pixels; None where it can't be read."""
    from PIL import Image

    try:
        with Image.open(path, formats=_KINDS) as picture:
            return picture.size
    except (OSError, ValueError, SyntaxError):
        return None


def read_cover(path: Path) -> Cover:
    """Read a picture and return its JPEGs: upright, in sRGB, transparent parts white.

    A file that is such a JPEG is used unchanged.

    Raises
    ------
    AssemblerError
        The picture is damaged.
    """
    from PIL import Image

    try:
        picture, is_final = _read_upright(path)
        full = path.read_bytes() if is_final else _jpeg(picture, quality=92)
    except (OSError, ValueError, SyntaxError) as error:
        raise AssemblerError(f"{path}: the picture is damaged: export it again") from error
    picture.thumbnail((EMBEDDED_PIXELS, EMBEDDED_PIXELS), Image.Resampling.LANCZOS)
    qualities = (90, 82, 74, 66, 50)
    embedded = next(
        (data for q in qualities if len(data := _jpeg(picture, quality=q)) <= EMBEDDED_BYTES),
        _jpeg(picture, quality=30),
    )
    return Cover(full, embedded, picture.width, picture.height)


def _read_upright(path: Path) -> tuple[Image.Image, bool]:
    """Return a picture upright and in sRGB, and whether its file is such a JPEG already."""
    from PIL import Image

    with Image.open(path, formats=_KINDS) as opened:
        upright = opened.getexif().get(_ORIENTATION, 1) == 1
        plain = opened.mode == "RGB" and upright and _is_srgb(opened)
        return _upright_rgb(opened), opened.format == "JPEG" and plain


def _upright_rgb(opened: Image.Image) -> Image.Image:
    from PIL import Image, ImageOps

    def on_white(strip: Image.Image) -> Image.Image:
        layer = strip.convert("RGBA")
        return Image.alpha_composite(Image.new("RGBA", layer.size, "white"), layer).convert("RGB")

    def eight_bits(strip: Image.Image) -> Image.Image:
        return strip.point(lambda value: value / 256, "L")  # convert() would clip at 255

    opened.load()
    ImageOps.exif_transpose(opened, in_place=True)
    if opened.has_transparency_data:
        return _by_strips(opened, "RGB", on_white)
    return _in_srgb(_by_strips(opened, "L", eight_bits) if opened.mode == "I;16" else opened)


def _by_strips(
    picture: Image.Image, mode: str, convert: Callable[[Image.Image], Image.Image]
) -> Image.Image:
    """Convert a picture one strip at a time, which needs little memory."""
    from PIL import Image

    whole = Image.new(mode, picture.size)
    for top in range(0, picture.height, _STRIP_ROWS):
        bottom = min(picture.height, top + _STRIP_ROWS)
        whole.paste(convert(picture.crop((0, top, picture.width, bottom))), (0, top))
    whole.info.update(picture.info)
    return whole


def _profile(picture: Image.Image) -> ImageCms.ImageCmsProfile | None:
    """Return the picture's own colour profile, if it has a valid one."""
    from PIL import ImageCms

    content = picture.info.get("icc_profile")
    try:
        return ImageCms.ImageCmsProfile(io.BytesIO(content)) if content else None
    except (OSError, ImageCms.PyCMSError):
        return None


def _is_srgb(picture: Image.Image) -> bool:
    from PIL import ImageCms

    profile = _profile(picture)
    try:
        return profile is None or "srgb" in ImageCms.getProfileDescription(profile).lower()
    except ImageCms.PyCMSError:
        return False


def _in_srgb(picture: Image.Image) -> Image.Image:
    """Convert colours to sRGB by the picture's own profile, where it has a suitable one."""
    from PIL import ImageCms

    profile = _profile(picture) if picture.mode in ("RGB", "CMYK", "L") else None
    if profile:
        srgb = ImageCms.createProfile("sRGB")
        with contextlib.suppress(ImageCms.PyCMSError):
            converted = ImageCms.profileToProfile(picture, profile, srgb, outputMode="RGB")
            if converted is not None:
                return converted
    return picture if picture.mode == "RGB" else picture.convert("RGB")


def _jpeg(picture: Image.Image, quality: int) -> bytes:
    """Encode a picture as JPEG, without profile and EXIF."""
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality, optimize=True, icc_profile=None, exif=b"")
    return buffer.getvalue()
