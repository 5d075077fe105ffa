"""A credits sheet that was made, and what it says when it is read back."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pypdf
from outside import output_of

from assembler.manifest import Manifest
from assembler.words import TrackWords


@dataclass(frozen=True)
class Made:
    """A credits sheet and what it was made from."""

    manifest: Manifest
    words: Sequence[TrackWords]
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
        """Give the lines under a block's title in the text file."""
        return self.text.split(f"\n{title}\n{'=' * len(title)}\n")[1].split("\n\n\n")[0]

    def pypdf_text(self) -> str:
        pages = pypdf.PdfReader(self.pdf).pages
        return _without_footers("\n".join(page.extract_text() for page in pages))

    def pdftotext(self) -> str:
        return _without_footers(output_of("pdftotext", self.pdf, "-", package="poppler-utils"))


def _without_footers(text: str) -> str:
    return re.sub(r"(?m)^\f?Page \d+ of \d+ .*$", "", text)


def squeezed(text: str) -> str:
    """Leave out white space, and the direction marks that pdftotext puts around."""
    return re.sub(r"[\s\u200e\u200f\u202a-\u202e]+", "", text)
