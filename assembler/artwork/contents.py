"""Read the content streams of a page: inks, lines, type and images as they are placed.

ISO 32000-1, 8 (graphics), 9 (text), 8.11 (optional content). What does not print is left out of
the streams, so that it is neither rendered nor read as text.
"""

from __future__ import annotations

import zlib
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

import pikepdf

from assembler.artwork.graphics_operators import (
    GRAPHICS_OPERATORS,
    GRAPHICS_PAINTS,
    PATH_PAINTS,
)
from assembler.artwork.graphics_state import IDENTITY, GraphicsState, Matrix, box_of, times
from assembler.artwork.inks import Ink
from assembler.artwork.reading import Box, Mark
from assembler.artwork.text_operators import TEXT_OPERATORS, TEXT_PAINTS

MOST_INK = 3.2
"""Sum of the four inks: 300 to 320 % (packaging printers)."""
MOST_STREAM = 64_000_000
MOST_OPERATORS = 2_000_000
_MOST_OF_A_KIND = 40
_MOST_DEPTH = 12
_PAINTS = GRAPHICS_PAINTS | TEXT_PAINTS
_OPERATORS = {**GRAPHICS_OPERATORS, **TEXT_OPERATORS}
_WRONG_OPERANDS = (ValueError, TypeError, IndexError, KeyError, AttributeError)


class TooMuchError(Exception):
    """A page holds more than can be checked in bounded time and memory."""


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
        resources = page.obj.get("/Resources") or page.resources
        kept = ContentStream(self, resources, GraphicsState(), 0).run(page)
        if kept is not None:
            page.obj["/Contents"] = pdf.make_stream(kept)

    def read_form(self, form: Any, resources: Any, state: GraphicsState, depth: int) -> None:
        """Read a form; its content is replaced by what prints."""
        self._refuse_bombs(form)
        own = form.get("/Resources")
        matrix = form.get("/Matrix")
        if matrix is not None:
            a, b, c, d, e, f = map(float, matrix)
            state = replace(state, matrix=times((a, b, c, d, e, f), state.matrix))
        stream = ContentStream(self, resources if own is None else own, state, depth)
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


class ContentStream:
    """One content stream, read from its first operator to its last."""

    def __init__(self, page: PageContent, resources: Any, state: GraphicsState, depth: int) -> None:
        self.page = page
        self.resources = resources
        self.state = state
        self.depth = depth
        self.stack: list[GraphicsState] = []
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
                if name in PATH_PAINTS:
                    kept.append(([], pikepdf.Operator("n")))
                self.path = []
                continue
            is_dropped = False
            if (act := _OPERATORS.get(name)) is not None:
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
