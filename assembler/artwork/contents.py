"""Read the content streams of a page: inks, lines, type and images as they are placed.

ISO 32000-1, 8 (graphics), 9 (text), 8.11 (optional content). What does not print is left out of
the streams, so that it is neither rendered nor read as text.
"""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from math import hypot
from typing import Any

import pikepdf

from assembler.artwork.inks import BLACK, Ink, Space, space_of, space_of_image
from assembler.artwork.reading import Box, Mark

Matrix = tuple[float, float, float, float, float, float]
IDENTITY: Matrix = (1, 0, 0, 1, 0, 0)
LEAST_LINE_PT, LEAST_TYPE_PT, LEAST_REVERSED_PT = 0.25, 5.0, 6.0
MOST_INK = 3.2
"""Sum of the four inks: 300 to 320 % (packaging printers)."""
MOST_STREAM = 64_000_000
MOST_OPERATORS = 2_000_000
MOST_PIXELS = 300_000_000
_MOST_OF_A_KIND = 40
_MOST_DEPTH = 12
_SIZE_STEP = 0.01
_WRONG_OPERANDS = (ValueError, TypeError, IndexError, KeyError, AttributeError)
_MOST_BLANKS = 3
"""Characters that are not drawn, as between the columns of a list."""


class TooMuchError(Exception):
    """A page holds more than can be checked in bounded time and memory."""


@dataclass(frozen=True)
class _State:
    """The graphics state, as far as it is asked for."""

    matrix: Matrix = IDENTITY
    fill: Ink = BLACK
    stroke: Ink = BLACK
    line_width: float = 1
    overprint_fill: bool = False
    overprint_stroke: bool = False
    font: str = ""
    is_embedded: bool = True
    is_wide: bool = False
    """Two bytes per character."""
    font_size: float = 0
    leading: float = 0
    mode: int = 0


def times(one: Matrix, other: Matrix) -> Matrix:
    """Return the matrix that does one, then the other."""
    a, b, c, d, e, f = one
    g, h, i, j, k, m = other
    return (
        a * g + b * i,
        a * h + b * j,
        c * g + d * i,
        c * h + d * j,
        e * g + f * i + k,
        (e * h + f * j + m),
    )


def applied(matrix: Matrix, x: float, y: float) -> tuple[float, float]:
    """Return where a point is."""
    a, b, c, d, e, f = matrix
    return a * x + c * y + e, b * x + d * y + f


def box_of(matrix: Matrix, points: list[tuple[float, float]]) -> Box:
    """Return the box around points."""
    xs, ys = zip(*(applied(matrix, x, y) for x, y in points), strict=True)
    return min(xs), min(ys), max(xs), max(ys)


@dataclass
class PageContent:
    """Reads a page's content, and what it invokes.

    Parameters
    ----------
    to_mm
        From the page's own units to mm from its upper left corner.
    hidden
        Groups of optional content that do not print, by object number.
    """

    to_mm: Matrix
    hidden: frozenset[tuple[int, int]]
    marks: list[Mark] = field(default_factory=list)
    _counts: Counter[tuple[str, str, float]] = field(default_factory=Counter)
    _operators: int = 0
    _rewritten: set[tuple[int, int]] = field(default_factory=set)

    def read_page(self, pdf: pikepdf.Pdf, page: pikepdf.Page) -> None:
        """Read a page; its content is replaced by what prints."""
        self._refuse_bombs(page.obj.get("/Contents"))
        kept = _Stream(self, page.obj.get("/Resources") or page.resources, _State(), 0).run(page)
        if kept is not None:
            page.obj["/Contents"] = pdf.make_stream(kept)

    def read_form(self, form: Any, resources: Any, state: _State, depth: int) -> None:
        """Read a form; its content is replaced by what prints."""
        self._refuse_bombs(form)
        own = form.get("/Resources")
        matrix = form.get("/Matrix")
        if matrix is not None:
            a, b, c, d, e, f = map(float, matrix)
            state = replace(state, matrix=times((a, b, c, d, e, f), state.matrix))
        stream = _Stream(self, resources if own is None else own, state, depth)
        kept = stream.run(form)
        if kept is not None and form.objgen not in self._rewritten:
            self._rewritten.add(form.objgen)
            form.write(kept)

    def count(self, operators: int) -> None:
        """Count operators, and stop where there are too many."""
        self._operators += operators
        if self._operators > MOST_OPERATORS:
            raise TooMuchError("the page has more drawing operators than can be checked")

    def add(self, code: str, what: str, box: Box, value: float = 0) -> None:
        """Add a mark; of many of a kind only the first."""
        kind = (code, what, round(value, 1))
        self._counts[kind] += 1
        if self._counts[kind] <= _MOST_OF_A_KIND:
            self.marks.append(Mark(code, what, box, value))

    def is_hidden(self, group: Any) -> bool:
        """Return whether a group of optional content does not print."""
        if group is None or not self.hidden:
            return False
        members = group.get("/OCGs")
        if members is None:
            return group.objgen in self.hidden
        several = members if isinstance(members, pikepdf.Array) else [members]
        return bool(len(several)) and all(one.objgen in self.hidden for one in several)

    @staticmethod
    def _refuse_bombs(contents: Any) -> None:
        streams = contents if isinstance(contents, pikepdf.Array) else [contents]
        for stream in streams:
            if not isinstance(stream, pikepdf.Stream):
                continue
            if str(stream.get("/Filter", "")) in ("/FlateDecode", "[/FlateDecode]"):
                unpacked = zlib.decompressobj().decompress(stream.read_raw_bytes(), MOST_STREAM)
                if len(unpacked) >= MOST_STREAM:
                    raise TooMuchError("a page's content unpacks to more than 64 MB")


class _Stream:
    """One content stream, read from its first operator to its last."""

    def __init__(self, page: PageContent, resources: Any, state: _State, depth: int) -> None:
        self.page = page
        self.resources = resources
        self.state = state
        self.depth = depth
        self.stack: list[_State] = []
        self.path: list[tuple[float, float]] = []
        self.groups: list[bool] = []
        self.text: Matrix = IDENTITY
        self.line: Matrix = IDENTITY
        self.drops = False

    def run(self, holder: Any) -> bytes | None:
        """Read the stream; return what prints, or None where all of it does."""
        if self.depth > _MOST_DEPTH:
            raise TooMuchError("forms are nested more than twelve deep")
        instructions = pikepdf.parse_content_stream(holder)
        self.page.count(len(instructions))
        kept: list[Any] = []
        for one in instructions:
            name = str(one.operator)
            paints = name in _PAINTS
            if paints and any(self.groups):
                self.drops = True
                if name in _PATH_PAINTS:
                    kept.append(([], pikepdf.Operator("n")))
                self.path = []
                continue
            is_dropped = False
            if (act := _ACTS.get(name)) is not None:
                with suppress(*_WRONG_OPERANDS):  # such an operator draws nothing
                    is_dropped = bool(act(self, one))
            if is_dropped:
                self.drops = True
            else:
                kept.append(one)
        return pikepdf.unparse_content_stream(kept) if self.drops else None

    def found(self, kind: str, name: Any) -> Any:
        """Return a resource."""
        table = self.resources.get(f"/{kind}") if self.resources is not None else None
        return table.get(str(name)) if table is not None else None

    def mm(self, points: list[tuple[float, float]], matrix: Matrix) -> Box:
        """Return the box around points on the page."""
        return box_of(times(matrix, self.page.to_mm), points)

    def check_ink(self, ink: Ink, what: str, box: Box) -> None:
        """Mark what is in other inks than the process colours."""
        if ink.space.kind in ("rgb", "lab"):
            self.page.add(
                "rgb-colour", f"{ink.space.kind.upper().replace('LAB', 'Lab')} {what}", box
            )
        for spot in ink.space.spots:
            self.page.add("spot-colour", spot, box)
        if ink.cmyk and sum(ink.cmyk) > MOST_INK + 0.005:
            self.page.add("too-much-ink", what, box, 100 * sum(ink.cmyk))


def _numbers(one: Any) -> tuple[float, ...]:
    return tuple(float(value) for value in one.operands)


def _save(stream: _Stream, _one: Any) -> None:
    if len(stream.stack) < 500:
        stream.stack.append(stream.state)


def _restore(stream: _Stream, _one: Any) -> None:
    if stream.stack:
        stream.state = stream.stack.pop()


def _concat(stream: _Stream, one: Any) -> None:
    a, b, c, d, e, f = _numbers(one)
    stream.state = replace(stream.state, matrix=times((a, b, c, d, e, f), stream.state.matrix))


def _point(stream: _Stream, one: Any) -> None:
    values = _numbers(one)
    stream.path += zip(values[::2], values[1::2], strict=True)


def _rectangle(stream: _Stream, one: Any) -> None:
    x, y, wide, high = _numbers(one)
    stream.path += [(x, y), (x + wide, y + high), (x, y + high), (x + wide, y)]


def _graphics_state(stream: _Stream, one: Any) -> None:
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


def _device(name: str, *, fills: bool) -> Callable[[_Stream, Any], None]:
    def act(stream: _Stream, one: Any) -> None:
        _set_ink(stream, Ink(Space(name), _numbers(one)), fills=fills)

    return act


def _set_ink(stream: _Stream, ink: Ink, *, fills: bool) -> None:
    stream.state = replace(stream.state, fill=ink) if fills else replace(stream.state, stroke=ink)


def _space(*, fills: bool) -> Callable[[_Stream, Any], None]:
    def act(stream: _Stream, one: Any) -> None:
        _set_ink(stream, Ink(space_of(one.operands[0], stream.resources)), fills=fills)

    return act


def _components(*, fills: bool) -> Callable[[_Stream, Any], None]:
    def act(stream: _Stream, one: Any) -> None:
        ink = stream.state.fill if fills else stream.state.stroke
        if ink.space.kind == "pattern":
            pattern = stream.found("Pattern", one.operands[-1])
            shading = pattern.get("/Shading") if pattern is not None else None
            if shading is not None:
                space = space_of(shading.get("/ColorSpace"), stream.resources)
                _set_ink(stream, Ink(Space("pattern", space.inks)), fills=fills)
            return
        _set_ink(stream, replace(ink, values=_numbers(one)), fills=fills)

    return act


def _paint(*, fills: bool, strokes: bool) -> Callable[[_Stream, Any], None]:
    def act(stream: _Stream, _one: Any) -> None:
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


def _check_line(stream: _Stream, state: _State, box: Box) -> None:
    stream.check_ink(state.stroke, "line", box)
    if state.overprint_stroke and state.stroke.is_white:
        stream.page.add("white-overprint", "line", box)
    a, b, c, d, _, _ = state.matrix
    width = state.line_width * abs(a * d - b * c) ** 0.5
    if width < LEAST_LINE_PT - _SIZE_STEP and not state.stroke.is_white:
        stream.page.add("hairline", "line", box, width)


def _end_path(stream: _Stream, _one: Any) -> None:
    stream.path = []


def _width(stream: _Stream, one: Any) -> None:
    stream.state = replace(stream.state, line_width=_numbers(one)[0])


def _begin_text(stream: _Stream, _one: Any) -> None:
    stream.text = stream.line = IDENTITY


def _font(stream: _Stream, one: Any) -> None:
    font = stream.found("Font", one.operands[0])
    size = float(one.operands[1])
    if font is None:
        stream.state = replace(stream.state, font=str(one.operands[0]), font_size=size)
        return
    name = str(font.get("/BaseFont", one.operands[0])).removeprefix("/")
    kind = str(font.get("/Subtype", ""))
    own = font.get("/DescendantFonts")[0] if kind == "/Type0" else font
    described = own.get("/FontDescriptor")
    embedded = kind == "/Type3" or (
        described is not None
        and any(key in described for key in ("/FontFile", "/FontFile2", "/FontFile3"))
    )
    stream.state = replace(
        stream.state,
        font=name,
        font_size=size,
        is_embedded=embedded,
        is_wide=kind == "/Type0",
    )


def _mode(stream: _Stream, one: Any) -> None:
    stream.state = replace(stream.state, mode=int(one.operands[0]))


def _leading(stream: _Stream, one: Any) -> None:
    stream.state = replace(stream.state, leading=_numbers(one)[0])


def _move_text(stream: _Stream, one: Any) -> None:
    x, y = _numbers(one)
    stream.text = stream.line = times((1, 0, 0, 1, x, y), stream.line)


def _move_and_lead(stream: _Stream, one: Any) -> None:
    stream.state = replace(stream.state, leading=-_numbers(one)[1])
    _move_text(stream, one)


def _text_matrix(stream: _Stream, one: Any) -> None:
    a, b, c, d, e, f = _numbers(one)
    stream.text = stream.line = (a, b, c, d, e, f)


def _next_line(stream: _Stream, _one: Any) -> None:
    stream.text = stream.line = times((1, 0, 0, 1, 0, -stream.state.leading), stream.line)


def _show_next(stream: _Stream, one: Any) -> None:
    _next_line(stream, one)
    _show(stream, one)


def _show(stream: _Stream, one: Any) -> None:
    shown = one.operands[-1]
    parts = shown if isinstance(shown, pikepdf.Array) else [shown]
    count = sum(len(bytes(part)) for part in parts if isinstance(part, pikepdf.String))
    state = stream.state
    count = count // 2 if state.is_wide else count
    if not count:
        return
    matrix = times(stream.text, state.matrix)
    em = state.font_size
    size = abs(em) * hypot(matrix[2], matrix[3])
    box = stream.mm([(0, -0.2 * em), (0.5 * em * count, 0.7 * em)], matrix)
    if state.mode in (3, 7):
        if count > _MOST_BLANKS:
            stream.page.add("invisible-text", state.font, box)
        return
    _check_text(stream, size, box)


def _check_text(stream: _Stream, size: float, box: Box) -> None:
    state, page = stream.state, stream.page
    ink = state.stroke if state.mode == 1 else state.fill
    stream.check_ink(ink, "text", box)
    if not state.is_embedded:
        page.add("font-not-embedded", state.font, box)
    if ink.is_rich_black:
        inks = " ".join(f"{n}{100 * v:.0f}" for n, v in zip("CMYK", ink.cmyk or (), strict=True))
        page.add("rich-black-text", inks, box, size)
    if size < LEAST_TYPE_PT - _SIZE_STEP:
        page.add("small-type", state.font, box, size)
    elif ink.is_white and size < LEAST_REVERSED_PT - _SIZE_STEP:
        page.add("small-reversed-type", state.font, box, size)
    if state.overprint_fill and ink.is_white:
        page.add("white-overprint", "text", box)


def _invoke(stream: _Stream, one: Any) -> bool:
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


def _image(stream: _Stream, image: Any) -> bool:
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


def _inline_image(stream: _Stream, one: Any) -> None:
    image = one.iimage
    box = stream.mm([(0, 0), (1, 0), (0, 1), (1, 1)], stream.state.matrix)
    if not image.image_mask:
        stream.check_ink(Ink(space_of(str(image.colorspace), stream.resources)), "image", box)


def _shade(stream: _Stream, one: Any) -> None:
    shading = stream.found("Shading", one.operands[0])
    if shading is not None:
        box = stream.mm([(0, 0)], stream.state.matrix)
        space = space_of(shading.get("/ColorSpace"), stream.resources)
        stream.check_ink(Ink(space), "gradient", box)


def _begin_marked(stream: _Stream, one: Any) -> None:
    hidden = False
    if len(one.operands) == 2 and str(one.operands[0]) == "/OC":
        hidden = stream.page.is_hidden(stream.found("Properties", one.operands[1]))
    stream.groups.append(hidden)


def _end_marked(stream: _Stream, _one: Any) -> None:
    if stream.groups:
        stream.groups.pop()


_PATH_PAINTS = frozenset(["f", "F", "f*", "B", "B*", "b", "b*", "S", "s"])
_PAINTS = _PATH_PAINTS | frozenset(("Tj", "TJ", "'", '"', "Do", "sh", "INLINE IMAGE"))
_ACTS: dict[str, Callable[[_Stream, Any], Any]] = {
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
    "BT": _begin_text, "Tf": _font, "Tr": _mode, "TL": _leading, "Td": _move_text,
    "TD": _move_and_lead, "Tm": _text_matrix, "T*": _next_line,
    "Tj": _show, "TJ": _show, "'": _show_next, '"': _show_next,
    "Do": _invoke, "sh": _shade, "INLINE IMAGE": _inline_image,
    "BMC": _begin_marked, "BDC": _begin_marked, "EMC": _end_marked,
}  # fmt: skip
