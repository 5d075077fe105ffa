"""The operators of a content stream that draw: paths, inks, images and optional content.

ISO 32000-1, 8.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import hypot
from typing import TYPE_CHECKING, Any

from assembler.artwork.graphics_state import GraphicsState, numbers, times
from assembler.artwork.inks import Ink, Space, space_of, space_of_image
from assembler.artwork.reading import Box
from assembler.artwork.text_operators import SIZE_STEP

if TYPE_CHECKING:
    from assembler.artwork.contents import ContentStream

LEAST_LINE_PT = 0.25
MOST_PIXELS = 300_000_000


def _save(stream: ContentStream, _one: Any) -> None:
    if len(stream.stack) < 500:
        stream.stack.append(stream.state)


def _restore(stream: ContentStream, _one: Any) -> None:
    if stream.stack:
        stream.state = stream.stack.pop()


def _concat(stream: ContentStream, one: Any) -> None:
    a, b, c, d, e, f = numbers(one)
    stream.state = replace(stream.state, matrix=times((a, b, c, d, e, f), stream.state.matrix))


def _point(stream: ContentStream, one: Any) -> None:
    values = numbers(one)
    stream.path += zip(values[::2], values[1::2], strict=True)


def _rectangle(stream: ContentStream, one: Any) -> None:
    x, y, wide, high = numbers(one)
    stream.path += [(x, y), (x + wide, y + high), (x, y + high), (x + wide, y)]


def _graphics_state(stream: ContentStream, one: Any) -> None:
    found = stream.found("ExtGState", one.operands[0])
    if found is None:
        return
    state = stream.state
    if "/LW" in found:
        state = replace(state, line_width=float(found["/LW"]))
    if "/OP" in found:
        both = bool(found["/OP"])
        state = replace(state, overprint_stroke=both, overprint_fill=both)
    if "/op" in found:
        state = replace(state, overprint_fill=bool(found["/op"]))
    stream.state = state


def _device(name: str, *, fills: bool) -> Callable[[ContentStream, Any], None]:
    def act(stream: ContentStream, one: Any) -> None:
        _set_ink(stream, Ink(Space(name), numbers(one)), fills=fills)

    return act


def _set_ink(stream: ContentStream, ink: Ink, *, fills: bool) -> None:
    stream.state = replace(stream.state, fill=ink) if fills else replace(stream.state, stroke=ink)


def _space(*, fills: bool) -> Callable[[ContentStream, Any], None]:
    def act(stream: ContentStream, one: Any) -> None:
        _set_ink(stream, Ink(space_of(one.operands[0], stream.resources)), fills=fills)

    return act


def _components(*, fills: bool) -> Callable[[ContentStream, Any], None]:
    def act(stream: ContentStream, one: Any) -> None:
        ink = stream.state.fill if fills else stream.state.stroke
        if ink.space.kind == "pattern":
            pattern = stream.found("Pattern", one.operands[-1])
            shading = pattern.get("/Shading") if pattern is not None else None
            if shading is not None:
                space = space_of(shading.get("/ColorSpace"), stream.resources)
                _set_ink(stream, Ink(Space("pattern", space.inks)), fills=fills)
            return
        _set_ink(stream, replace(ink, values=numbers(one)), fills=fills)

    return act


def _paint(*, fills: bool, strokes: bool) -> Callable[[ContentStream, Any], None]:
    def act(stream: ContentStream, _one: Any) -> None:
        points, stream.path = stream.path, []
        if not points:
            return
        state = stream.state
        box = stream.mm(points, state.matrix)
        if fills:
            stream.check_ink(state.fill, "area", box)
            if state.overprint_fill and state.fill.is_white:
                stream.page.add("white-overprint", "area", box)
        if strokes:
            _check_line(stream, state, box)

    return act


def _check_line(stream: ContentStream, state: GraphicsState, box: Box) -> None:
    stream.check_ink(state.stroke, "line", box)
    if state.overprint_stroke and state.stroke.is_white:
        stream.page.add("white-overprint", "line", box)
    a, b, c, d, _, _ = state.matrix
    width = state.line_width * abs(a * d - b * c) ** 0.5
    if width < LEAST_LINE_PT - SIZE_STEP and not state.stroke.is_white:
        stream.page.add("hairline", "line", box, width)


def _end_path(stream: ContentStream, _one: Any) -> None:
    stream.path = []


def _width(stream: ContentStream, one: Any) -> None:
    stream.state = replace(stream.state, line_width=numbers(one)[0])


def _invoke(stream: ContentStream, one: Any) -> bool:
    """Read a form or an image; return whether it is not to be drawn."""
    found = stream.found("XObject", one.operands[0])
    if found is None:
        return False
    if stream.page.is_hidden(found.get("/OC")):
        return True
    if str(found.get("/Subtype")) == "/Form":
        stream.page.read_form(found, stream.resources, stream.state, stream.depth + 1)
        return False
    return _image(stream, found)


def _image(stream: ContentStream, image: Any) -> bool:
    wide, high = (int(image.get(key, 0)) for key in ("/Width", "/Height"))
    matrix = stream.state.matrix
    box = stream.mm([(0, 0), (1, 0), (0, 1), (1, 1)], matrix)
    across, up = (hypot(matrix[n], matrix[n + 1]) / 72 for n in (0, 2))
    if wide * high > MOST_PIXELS:
        stream.page.add("image-too-large", f"{wide} × {high} pixels", box)
        return True
    if min(across, up) > 0:
        ppi = min(wide / across, high / up)
        stream.page.add("image", f"{wide} × {high} pixels", box, ppi)
    if image.get("/ImageMask"):
        stream.check_ink(stream.state.fill, "image", box)
    else:
        stream.check_ink(Ink(space_of_image(image, stream.resources)), "image", box)
    return False


def _inline_image(stream: ContentStream, one: Any) -> None:
    image = one.iimage
    box = stream.mm([(0, 0), (1, 0), (0, 1), (1, 1)], stream.state.matrix)
    if not image.image_mask:
        stream.check_ink(Ink(space_of(str(image.colorspace), stream.resources)), "image", box)


def _shade(stream: ContentStream, one: Any) -> None:
    shading = stream.found("Shading", one.operands[0])
    if shading is not None:
        box = stream.mm([(0, 0)], stream.state.matrix)
        space = space_of(shading.get("/ColorSpace"), stream.resources)
        stream.check_ink(Ink(space), "gradient", box)


def _begin_marked(stream: ContentStream, one: Any) -> None:
    hidden = False
    if len(one.operands) == 2 and str(one.operands[0]) == "/OC":
        hidden = stream.page.is_hidden(stream.found("Properties", one.operands[1]))
    stream.groups.append(hidden)


def _end_marked(stream: ContentStream, _one: Any) -> None:
    if stream.groups:
        stream.groups.pop()


PATH_PAINTS = frozenset(["f", "F", "f*", "B", "B*", "b", "b*", "S", "s"])
GRAPHICS_PAINTS = PATH_PAINTS | frozenset(("Do", "sh", "INLINE IMAGE"))
GRAPHICS_OPERATORS: dict[str, Callable[[ContentStream, Any], Any]] = {
    "q": _save, "Q": _restore, "cm": _concat, "gs": _graphics_state, "w": _width,
    "m": _point, "l": _point, "c": _point, "v": _point, "y": _point, "re": _rectangle,
    "n": _end_path,
    "g": _device("gray", fills=True), "G": _device("gray", fills=False),
    "rg": _device("rgb", fills=True), "RG": _device("rgb", fills=False),
    "k": _device("cmyk", fills=True), "K": _device("cmyk", fills=False),
    "cs": _space(fills=True), "CS": _space(fills=False),
    "sc": _components(fills=True), "scn": _components(fills=True),
    "SC": _components(fills=False), "SCN": _components(fills=False),
    **dict.fromkeys(("f", "F", "f*"), _paint(fills=True, strokes=False)),
    **dict.fromkeys(("B", "B*", "b", "b*"), _paint(fills=True, strokes=True)),
    **dict.fromkeys(("S", "s"), _paint(fills=False, strokes=True)),
    "Do": _invoke, "sh": _shade, "INLINE IMAGE": _inline_image,
    "BMC": _begin_marked, "BDC": _begin_marked, "EMC": _end_marked,
}  # fmt: skip
