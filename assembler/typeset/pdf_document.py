"""A new PDF with the release's name in its properties and no date."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from reportlab.lib.pagesizes import A4
from reportlab.pdfbase.pdfdoc import PDFDictionary, PDFInfo, PDFString
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.textobject import PDFTextObject

from assembler.typeset.blocks import Sheet
from assembler.typeset.pdf_fonts import registered


class UndatedInfo(PDFInfo):  # type: ignore[misc]
    """Document properties without dates, so that the same content gives the same bytes."""

    def format(self, document: Any) -> bytes:
        """Return the information dictionary."""
        names = ("Title", "Author", "Subject", "Creator", "Producer")
        dictionary = PDFDictionary({n: PDFString(getattr(self, n.lower())) for n in names})
        return bytes(dictionary.format(document))


class BlackText(PDFTextObject):  # type: ignore[misc]
    """Text in shades of black ink alone."""

    def setFillGray(self, gray: float) -> None:  # noqa: N802 - reportlab's name
        """Set a grey as black ink."""
        self.setFillColorCMYK(0, 0, 0, 1 - gray)


class BlackInk(Canvas):  # type: ignore[misc]
    """A canvas for print: greys are shades of black ink alone (DeviceCMYK)."""

    def setFillGray(self, gray: float) -> None:  # noqa: N802
        """Set a grey as black ink."""
        self.setFillColorCMYK(0, 0, 0, 1 - gray)

    def setStrokeGray(self, gray: float) -> None:  # noqa: N802
        """Set a grey as black ink."""
        self.setStrokeColorCMYK(0, 0, 0, 1 - gray)

    def beginText(self, x: float = 0, y: float = 0) -> Any:  # noqa: N802
        """Return a text in black ink."""
        return BlackText(self, x, y)


def new_document(
    path: Path, sheet: Sheet, size_pt: tuple[float, float] = A4, kind: type[Any] = Canvas
) -> Any:
    """Return a canvas whose bytes depend only on what is drawn."""
    canvas = kind(
        str(path),
        pagesize=size_pt,
        invariant=1,
        pageCompression=1,
        lang=sheet.language,
        initialFontName=registered("DejaVuSans"),
    )
    canvas._doc.info = UndatedInfo()
    canvas.setTitle(sheet.title)
    canvas.setAuthor(sheet.artist)
    canvas.setSubject(sheet.name)
    canvas.setCreator("assembler")
    return canvas


@contextmanager
def copied_as(text: Any, replacement: str) -> Iterator[None]:
    """Set a replacement text, used when text written inside is copied out.

    ISO 32000-1, 14.9.4: replacement text of a marked span.
    """
    content = ("\ufeff" + replacement).encode("utf-16-be").hex().upper()
    text._code.append(f"/Span <</ActualText <{content}>>> BDC")
    yield
    text._code.append("EMC")
