"""Logos as they are placed on the templates: shapes of an SVG as vectors, a picture as pixels.

SVG 1.1 (W3C Recommendation, 2011): basic shapes 9, paths 8, fill properties 11.3, transforms 7.6.
fontTools reads shapes and paths. What it can't draw as it is meant is refused, with the reason.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from fontTools.misc.transform import Transform
from fontTools.pens.basePen import BasePen
from fontTools.pens.boundsPen import ControlBoundsPen
from fontTools.pens.transformPen import TransformPen
from fontTools.svgLib.path import parse_path
from fontTools.svgLib.path.shapes import PathBuilder
from PIL import Image, ImageColor
from reportlab.lib.units import mm

from assembler.errors import FindingsError
from assembler.text_files import OutsideFile

MOST_WIDE_MM, MOST_HIGH_MM = 26.0, 10.0
"""Room of a logo on a panel."""
MOST_SVG_BYTES = 2_000_000
_MOST_PPI = 1200
"""A picture of more is reduced: a line screen shows no more."""
_SVG = "{http://www.w3.org/2000/svg}"
_SHAPES = ("path", "rect", "circle", "ellipse", "polygon")
_HOLDERS = ("svg", "g")
_UNSEEN = ("title", "desc", "metadata", "defs", "style")
_INHERITED = ("fill", "fill-rule", "stroke", "visibility")
_REFUSED = ("clip-path", "mask", "filter")
_RULE = re.compile(r"\.([\w-]+)\s*\{([^{}]*)\}")
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_APART_MM = 4.0
Inks = tuple[float, float, float, float]


class UnplacedError(ValueError):
    """A logo can't be drawn as it is meant; the text says why."""


@dataclass(frozen=True)
class Shape:
    """A filled outline: its path, where it goes, its inks."""

    path: str
    transform: Transform
    inks: Inks
    is_even_odd: bool


@dataclass(frozen=True)
class Logo:
    """A logo: its own size, and its shapes, or a picture in their place."""

    path: Path
    width: float
    height: float
    shapes: tuple[Shape, ...] = ()

    def size_mm(
        self, most_wide_mm: float = MOST_WIDE_MM, most_high_mm: float = MOST_HIGH_MM
    ) -> tuple[float, float]:
        """Return its size as placed, in proportion."""
        wide, high = min(most_wide_mm, MOST_WIDE_MM), min(most_high_mm, MOST_HIGH_MM)
        scale = min(wide / self.width, high / self.height)
        return self.width * scale, self.height * scale

    def draw(self, canvas: Any, left_mm: float, foot_mm: float, size_mm: tuple[float, ...]) -> None:
        """Draw it from its lower left corner."""
        wide, high = (side * mm for side in size_mm)
        canvas.saveState()
        canvas.translate(left_mm * mm, foot_mm * mm)
        if self.shapes:
            canvas.scale(wide / self.width, high / self.height)
            for shape in self.shapes:
                _fill(canvas, shape)
        else:
            from reportlab.lib.utils import ImageReader

            picture = _in_inks(self.path, round(size_mm[0] / 25.4 * _MOST_PPI))
            canvas.drawImage(ImageReader(picture), 0, 0, wide, high)
        canvas.restoreState()


PlacedLogo = tuple[Logo, float, float, tuple[float, float]]
"""A logo with its left and lower edge and its size in mm."""


def read_logo(path: Path) -> Logo:
    """Read a logo.

    Raises
    ------
    UnplacedError
        It can't be read, or can't be drawn as it is meant.
    """
    if path.suffix.lower() == ".pdf":
        raise UnplacedError("a PDF can't be placed")
    if path.suffix.lower() == ".svg":
        return _read_svg(path)
    try:
        with Image.open(path) as image:
            image.load()
            return Logo(path, image.width, image.height)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise UnplacedError("it can't be read as a picture") from error


def readable_logos(paths: Iterable[Path]) -> tuple[Logo, ...]:
    """Return the logos that can be placed."""
    found = []
    for path in paths:
        with suppress(UnplacedError):
            found.append(read_logo(path))
    return tuple(found)


def in_rows(logos: Sequence[Logo], wide_mm: float) -> tuple[tuple[PlacedLogo, ...], float]:
    """Place logos in rows of a width, from the top down; return them, and the rows' height.

    Lower edges are from that of the last row.
    """
    rows: list[list[PlacedLogo]] = [[]]
    x = 0.0
    for logo in logos:
        size = logo.size_mm(wide_mm)
        if rows[-1] and x + size[0] > wide_mm:
            rows.append([])
            x = 0.0
        rows[-1].append((logo, x, 0.0, size))
        x += size[0] + _APART_MM
    step = MOST_HIGH_MM + _APART_MM
    placed = tuple(
        (logo, left, n * step, size)
        for n, row in enumerate(reversed(rows))
        for logo, left, _, size in row
    )
    return placed, len(rows) * step - _APART_MM


def _in_inks(path: Path, most_pixels: int) -> Image.Image:
    """Return a picture in grey or process colours, on white."""
    import numpy as np

    with Image.open(path) as opened:
        image: Image.Image = opened.copy()
    if image.mode not in ("CMYK", "L"):
        ground = Image.new("RGBA", image.size, (255, 255, 255, 255))
        ground.alpha_composite(image.convert("RGBA"))
        image = ground.convert("RGB")
    image.thumbnail((most_pixels, most_pixels * 4))
    if image.mode != "RGB":
        return image
    rgb = np.asarray(image, np.uint8)
    brightest = rgb.max(axis=2, keepdims=True)
    if not (brightest - rgb).any():
        return image.convert("L")
    return Image.fromarray(np.concatenate([brightest - rgb, 255 - brightest], axis=2), "CMYK")


class _CanvasPen(BasePen):  # type: ignore[misc]
    """Draws outlines into a path of a reportlab canvas."""

    def __init__(self, path: Any) -> None:
        super().__init__(None)
        self.path = path

    def _moveTo(self, pt: tuple[float, float]) -> None:  # noqa: N802
        self.path.moveTo(*pt)

    def _lineTo(self, pt: tuple[float, float]) -> None:  # noqa: N802
        self.path.lineTo(*pt)

    def _curveToOne(self, *points: tuple[float, float]) -> None:  # noqa: N802
        self.path.curveTo(*(value for point in points for value in point))

    def _closePath(self) -> None:  # noqa: N802
        self.path.close()


def _fill(canvas: Any, shape: Shape) -> None:
    path = canvas.beginPath()
    parse_path(shape.path, TransformPen(_CanvasPen(path), shape.transform))
    canvas.setFillColorCMYK(*shape.inks)
    canvas.drawPath(path, stroke=0, fill=1, fillMode=0 if shape.is_even_odd else 1)


def _read_svg(path: Path) -> Logo:
    try:
        content = OutsideFile(path, "logo", MOST_SVG_BYTES).read_bytes()
    except FindingsError as error:
        raise UnplacedError(error.findings[0].message) from error
    if b"<!ENTITY" in content:
        raise UnplacedError("it declares entities")
    try:
        root = ElementTree.fromstring(content)
    except (ElementTree.ParseError, ValueError) as error:
        raise UnplacedError("it is not an SVG") from error
    left, top, wide, high = _view(root)
    sheets = "".join(one.text or "" for one in root.iter(f"{_SVG}style"))
    rules = {name: _declared(body) for name, body in _RULE.findall(sheets)}
    if re.sub(r"/\*.*?\*/", "", _RULE.sub("", sheets), flags=re.DOTALL).strip():
        raise UnplacedError("its style sheet has more than classes")
    upright = Transform(1, 0, 0, -1, -left, top + high)
    try:
        shapes = tuple(_shapes(root, rules, {}, upright))
        bounds = [value for shape in shapes for value in _bounds(shape)]
    except UnplacedError:
        raise
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        raise UnplacedError("it has a shape that can't be read") from error
    if not all(map(math.isfinite, bounds)):
        raise UnplacedError("it has a shape without bounds")
    if not shapes:
        raise UnplacedError("it has no filled shapes")
    return Logo(path, wide, high, shapes)


def _bounds(shape: Shape) -> tuple[float, ...]:
    pen = ControlBoundsPen(None)
    parse_path(shape.path, TransformPen(pen, shape.transform))
    return pen.bounds or ()


def _view(root: ElementTree.Element) -> tuple[float, float, float, float]:
    """Return the area that an SVG shows: left, top, width and height."""
    numbers = [float(one) for one in _NUMBER.findall(root.get("viewBox", ""))]
    if not numbers:
        sides = [_NUMBER.match(root.get(name, "")) for name in ("width", "height")]
        numbers = [0, 0, *(float(one[0]) for one in sides if one)]
    if root.tag != f"{_SVG}svg" or len(numbers) != 4 or min(numbers[2:]) <= 0:
        raise UnplacedError("it does not say its size (viewBox)")
    left, top, wide, high = numbers
    return left, top, wide, high


def _shapes(
    element: ElementTree.Element,
    rules: Mapping[str, dict[str, str]],
    above: Mapping[str, str],
    transform: Transform,
) -> Iterator[Shape]:
    """Yield the filled shapes of an element, those below others first."""
    if not (isinstance(element.tag, str) and element.tag.startswith(_SVG)):
        return  # a comment, or an editor's own
    name = element.tag.removeprefix(_SVG)
    if name in _UNSEEN:
        return
    if name not in (*_SHAPES, *_HOLDERS) or (name == "svg" and above):
        raise UnplacedError(f"it has `{name[:20]}`")
    own = _style(element, rules)
    if own.get("display") == "none":
        return
    style = {**{key: above[key] for key in _INHERITED if key in above}, **own}
    _refuse(style)
    transform = _transformed(transform, element.get("transform", ""))
    if name in _HOLDERS:
        for child in element:
            yield from _shapes(child, rules, style, transform)
    elif style.get("fill") != "none" and style.get("visibility", "visible") == "visible":
        plain = ElementTree.Element(name, {k: v for k, v in own.items() if k != "transform"})
        builder = PathBuilder()
        builder.add_path_from_element(plain)
        is_even_odd = style.get("fill-rule") == "evenodd"
        for path in builder.paths:
            yield Shape(path, transform, _inks(style.get("fill", "black")), is_even_odd)


def _style(element: ElementTree.Element, rules: Mapping[str, dict[str, str]]) -> dict[str, str]:
    """Return an element's properties: attributes, classes and its own style, the last one wins."""
    found = {key: value.strip() for key, value in element.attrib.items()}
    for name in element.get("class", "").split():
        found |= rules.get(name, {})
    return found | _declared(element.get("style", ""))


def _declared(text: str) -> dict[str, str]:
    pairs = (one.partition(":") for one in text.split(";") if ":" in one)
    return {key.strip(): value.strip() for key, _, value in pairs}


def _refuse(style: Mapping[str, str]) -> None:
    """Refuse what would be drawn in another way."""
    if style.get("stroke", "none") != "none" and style.get("stroke-width") != "0":
        raise UnplacedError("it has lines (`stroke`)")
    for key in _REFUSED:
        if style.get(key, "none") != "none":
            raise UnplacedError(f"it has `{key}`")
    for key in ("opacity", "fill-opacity"):
        if style.get(key, "1") not in ("1", "1.0", "100%"):
            raise UnplacedError("it is partly transparent")


def _inks(colour: str) -> Inks:
    """Return a colour in process inks; greys in black alone."""
    if colour in ("currentColor", "inherit"):
        colour = "black"
    try:
        red, green, blue = (value / 255 for value in ImageColor.getrgb(colour)[:3])
    except ValueError as error:
        raise UnplacedError(f"its colour `{colour[:30]}` can't be read") from error
    brightest = max(red, green, blue)
    return brightest - red, brightest - green, brightest - blue, 1 - brightest


def _transformed(transform: Transform, text: str) -> Transform:
    """Apply an element's transforms in their order."""
    for name, body in re.findall(r"(\w+)\s*\(([^)]*)\)", text):
        values = [float(one) for one in _NUMBER.findall(body)]
        if name == "matrix" and len(values) == 6:
            transform = transform.transform(Transform(*values))
        elif name == "translate" and len(values) in (1, 2):
            transform = transform.translate(*values)
        elif name == "scale" and len(values) in (1, 2):
            transform = transform.scale(*values)
        elif name == "rotate" and len(values) == 1:
            transform = transform.rotate(math.radians(values[0]))
        else:
            raise UnplacedError(f"its transform `{name[:20]}` can't be read")
    return transform
