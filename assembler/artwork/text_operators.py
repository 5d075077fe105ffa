"""The text operators of a content stream: fonts, places and shown text.

ISO 32000-1, 9.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import hypot
from typing import TYPE_CHECKING, Any

import pikepdf

from assembler.artwork.graphics_state import IDENTITY, numbers, times
from assembler.artwork.reading import Box

if TYPE_CHECKING:
    from assembler.artwork.contents import ContentStream

LEAST_TYPE_PT, LEAST_REVERSED_PT = 5.0, 6.0
SIZE_STEP = 0.01
_MOST_BLANKS = 3
"""Characters that are not drawn, as between the columns of a list."""


def _begin_text(stream: ContentStream, _one: Any) -> None:
    stream.text = stream.line = IDENTITY


def _font(stream: ContentStream, one: Any) -> None:
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


def _mode(stream: ContentStream, one: Any) -> None:
    stream.state = replace(stream.state, mode=int(one.operands[0]))


def _leading(stream: ContentStream, one: Any) -> None:
    stream.state = replace(stream.state, leading=numbers(one)[0])


def _move_text(stream: ContentStream, one: Any) -> None:
    x, y = numbers(one)
    stream.text = stream.line = times((1, 0, 0, 1, x, y), stream.line)


def _move_and_lead(stream: ContentStream, one: Any) -> None:
    stream.state = replace(stream.state, leading=-numbers(one)[1])
    _move_text(stream, one)


def _text_matrix(stream: ContentStream, one: Any) -> None:
    a, b, c, d, e, f = numbers(one)
    stream.text = stream.line = (a, b, c, d, e, f)


def _next_line(stream: ContentStream, _one: Any) -> None:
    stream.text = stream.line = times((1, 0, 0, 1, 0, -stream.state.leading), stream.line)


def _show_next(stream: ContentStream, one: Any) -> None:
    _next_line(stream, one)
    _show(stream, one)


def _show(stream: ContentStream, one: Any) -> None:
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


def _check_text(stream: ContentStream, size: float, box: Box) -> None:
    state, page = stream.state, stream.page
    ink = state.stroke if state.mode == 1 else state.fill
    stream.check_ink(ink, "text", box)
    if not state.is_embedded:
        page.add("font-not-embedded", state.font, box)
    if ink.is_rich_black:
        inks = " ".join(f"{n}{100 * v:.0f}" for n, v in zip("CMYK", ink.cmyk or (), strict=True))
        page.add("rich-black-text", inks, box, size)
    if size < LEAST_TYPE_PT - SIZE_STEP:
        page.add("small-type", state.font, box, size)
    elif ink.is_white and size < LEAST_REVERSED_PT - SIZE_STEP:
        page.add("small-reversed-type", state.font, box, size)
    if state.overprint_fill and ink.is_white:
        page.add("white-overprint", "text", box)


TEXT_OPERATORS: dict[str, Callable[[ContentStream, Any], Any]] = {
    "BT": _begin_text, "Tf": _font, "Tr": _mode, "TL": _leading, "Td": _move_text,
    "TD": _move_and_lead, "Tm": _text_matrix, "T*": _next_line,
    "Tj": _show, "TJ": _show, "'": _show_next, '"': _show_next,
}  # fmt: skip
TEXT_PAINTS = frozenset(("Tj", "TJ", "'", '"'))
