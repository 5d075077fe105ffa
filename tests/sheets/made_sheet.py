"""A credits sheet that was made, and what it says when it is read back."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pypdf
from outside import output_of

from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata

PARTS = ("Front", "Spine", "Back", "Booklet", "Disc label", "Before print")


@dataclass(frozen=True)
class Made:
    """A credits sheet and what it was made from."""

    manifest: Manifest
    words: Sequence[TrackMetadata]
    folder: Path

    @property
    def pdf(self) -> Path:
        return self.folder / "credits-sheet.pdf"

    @property
    def text(self) -> str:
        return (self.folder / "credits-sheet.txt").read_bytes().decode("utf-8")

    @property
    def lines(self) -> list[str]:
        return self.text.split("\n")

    def block(self, title: str) -> str:
        """Return the lines under a block's title in the text file."""
        block = self.text.split(f"\n{title}\n{'-' * len(title)}\n")[1].split("\n\n\n")[0]
        return block.rstrip("\n")

    def titles(self, sign: str) -> list[str]:
        """Return the titles that stand over a line of `=` (parts) or `-` (blocks)."""
        return re.findall(rf"(?m)^(.+)\n{sign}{{3,}}$", self.text)

    @property
    def all_text(self) -> str:
        """The text file without what is drawn on paper: lines under titles, squares, blanks."""
        return re.sub(r"(?m)^[=-]{3,}$|^\[ \] |_{20}", "", self.text)

    def pypdf_text(self) -> str:
        pages = pypdf.PdfReader(self.pdf).pages
        return _without_repeats("\n".join(page.extract_text() for page in pages))

    def pdftotext(self) -> str:
        return _without_repeats(output_of("pdftotext", self.pdf, "-", package="poppler-utils"))


def _without_repeats(text: str) -> str:
    """Leave out page numbers, and heads that are repeated on the next page."""
    text = re.sub(r"(?m)^\f?Page \d+ of \d+ .*$", "", text)
    return re.sub(rf"(?m)^\f?(?:{'|'.join(PARTS)}) +(?:.*, )?continued$", "", text)


def squeezed(text: str) -> str:
    """Leave out white space, and the direction marks that pdftotext puts around."""
    return re.sub(r"[\s\u200e\u200f\u202a-\u202e]+", "", text)
