"""The fonts in a PDF: embedded, measured, and readable when text is copied out."""

from __future__ import annotations

import re
from functools import cache, lru_cache
from threading import Lock
from typing import Any

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from assembler.typeset.fonts import FILES, FOLDER, Weight, font_runs, letter_of

_LOCK = Lock()
_MAPPED = re.compile(r"(?<=> <)[0-9A-F]+(?=>$)", re.MULTILINE)


class ReadableFont(TTFont):  # type: ignore[misc]
    """A TrueType font whose text can be copied out.

    Its ToUnicode map (ISO 32000-1, 9.10.3) is UTF-16 beyond the basic plane too, and has letters
    instead of Arabic presentation forms.
    """

    def addObjects(self, doc: Any) -> None:  # noqa: N802 - the name that reportlab calls
        """Add the font's objects to a document, with a corrected ToUnicode map."""
        super().addObjects(doc)
        for name, stream in doc.idToObject.items():
            if name.startswith("toUnicodeCMap:"):
                stream.content = _MAPPED.sub(lambda match: _utf16(match[0]), stream.content)


def _utf16(digits: str) -> str:
    if len(digits) > 6:  # already corrected: this runs once per font
        return digits
    sign = chr(int(digits, 16))
    letter = letter_of(sign)
    return (letter if len(letter) == 1 else sign).encode("utf-16-be").hex().upper()


@cache
def registered(font: str) -> str:
    """Register a font with reportlab, once, and return its name."""
    with _LOCK:
        if font not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(ReadableFont(font, str(FOLDER / FILES[font]), shapable=False))
    return font


def page_runs(text: str, weight: Weight) -> list[tuple[str, str]]:
    """Split a text into runs of one registered font each."""
    return [(registered(font), part) for font, part in font_runs(text, weight)]


def write_runs(text: Any, line: str, weight: Weight, size_pt: float) -> None:
    """Write a line into a reportlab text object, run by run."""
    for font, part in page_runs(line, weight):
        text.setFont(font, size_pt)
        text.textOut(part)


@lru_cache(maxsize=20_000)
def width_em(text: str, weight: Weight) -> float:
    """Return the width of a text in em."""
    return sum(
        float(pdfmetrics.stringWidth(part, font, 1)) for font, part in page_runs(text, weight)
    )
