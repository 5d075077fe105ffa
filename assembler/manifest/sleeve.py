"""The manifest's section on the printed parts: the package, its figures, pictures and logos."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from assembler.manifest.section import Section
from assembler.manifest.values import InRange, Line, listed

Package = Literal[
    "jewel_case",
    "card_wallet",
    "gatefold_4",
    "gatefold_6",
    "cassette",
    "12_inch",
    "12_inch_gatefold",
    "7_inch",
]
Millimetres = Annotated[float, InRange(0, 1000, "mm")]
FirstTrack = Annotated[int, InRange(2, 999, whole=True)]


class SleevePicture(Section):
    """A picture for the booklet or the sleeve."""

    file: Line
    """A picture file."""
    caption: Line | None = None
    """What it shows."""
    by: Line | None = None
    """Who took or drew it."""
    width: Annotated[float, InRange(1, 1000, "mm")] | None = None
    """Width in print in mm; left out, the front's with its bleed."""


class Sleeve(Section):
    """The printed parts, for which templates are made."""

    package: Package
    """What is printed."""
    booklet_pages: Annotated[int, InRange(4, 64, "pages", whole=True)] = 4
    """Pages of a jewel case's booklet: a multiple of four."""
    spine: Literal["down", "up"] = "down"
    """Direction in which the spine reads; downwards is ISO 6357."""
    sides: Annotated[tuple[FirstTrack, ...], BeforeValidator(listed)] = ()
    """First track of each side after side A, on record and cassette."""
    sizes: dict[Line, Millimetres] = Field(default_factory=dict)
    """Figures of the plant in place of the usual ones, in mm."""
    logos: Annotated[tuple[Line, ...], BeforeValidator(listed)] = ()
    """Logo files."""
    pictures: tuple[SleevePicture, ...] = ()
    """Pictures with their captions."""
