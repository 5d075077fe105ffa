"""What is read of an artwork PDF, as the process that reads it hands it over."""

from __future__ import annotations

from dataclasses import dataclass, field

Box = tuple[float, float, float, float]
"""Left, top, right, bottom in mm; from the upper left corner of the page as it is shown."""


@dataclass(frozen=True)
class Mark:
    """Something on a page that print may not like."""

    code: str
    what: str
    """Name of a font or an ink, kind of object."""
    box: Box
    value: float = 0
    """Its size in pt, or its resolution in ppi."""


@dataclass(frozen=True)
class PageReading:
    """One page."""

    width: float
    height: float
    """Of the MediaBox, in mm."""
    trim: Box | None
    bleed: Box | None
    text: str
    """Live text; line breaks and blanks between words are those of the reader."""
    boxes: list[Box]
    """Of each character of the text."""
    drawn: str
    """`1` for each character that is in the PDF, `0` for one that the reader added."""
    marks: list[Mark]
    picture: str
    """File with the rendered page: rows of red, green and blue."""
    dpi: float


@dataclass(frozen=True)
class PdfReading:
    """A PDF, or why it can't be read."""

    error: str = ""
    version: str = ""
    claim: str = ""
    """The part of PDF/X that it claims to be."""
    is_protected: bool = False
    has_scripts: bool = False
    has_guides: bool = False
    pages: list[PageReading] = field(default_factory=list)


def around(boxes: list[Box]) -> Box:
    """Return the box around boxes."""
    lefts, tops, rights, bottoms = zip(*boxes, strict=True)
    return min(lefts), min(tops), max(rights), max(bottoms)


def moved(box: Box, left: float, top: float) -> Box:
    """Return a box as seen from another corner."""
    return box[0] - left, box[1] - top, box[2] - left, box[3] - top


def overlap(one: Box, other: Box) -> bool:
    """Return whether two boxes have a point in common."""
    return one[0] <= other[2] and other[0] <= one[2] and one[1] <= other[3] and other[1] <= one[3]
