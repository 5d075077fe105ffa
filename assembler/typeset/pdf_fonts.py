"""The carried fonts as they go into a PDF: embedded, measured, and readable when copied out."""

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
    """A TrueType font whose text copies out as it was written.

    Its table from glyphs to text (ISO 32000-1, 9.10.3) is UTF-16 beyond the basic plane too, and
    has the letters themselves for the joined forms of Arabic.
    """

    def addObjects(self, doc: Any) -> None:  # noqa: N802 - the name that reportlab calls
        """Add the font's objects to a document, and set its table right."""
        super().addObjects(doc)
        for name, stream in doc.idToObject.items():
            if name.startswith("toUnicodeCMap:"):
                stream.content = _MAPPED.sub(lambda match: _utf16(match[0]), stream.content)


def _utf16(digits: str) -> str:
    if len(digits) > 6:  # set right before: this font's tables are gone through once for each font
        return digits
    sign = chr(int(digits, 16))
    letter = letter_of(sign)
    return (letter if len(letter) == 1 else sign).encode("utf-16-be").hex().upper()


@cache
def registered(font: str) -> str:
    """Make a carried font known to reportlab, once, and give its name."""
    with _LOCK:
        if font not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(ReadableFont(font, str(FOLDER / FILES[font]), shapable=False))
    return font


def page_runs(text: str, weight: Weight) -> list[tuple[str, str]]:
    """Split a text into runs of one registered font each."""
    return [(registered(font), part) for font, part in font_runs(text, weight)]


@lru_cache(maxsize=20_000)
def width_em(text: str, weight: Weight) -> float:
    """Measure a text in multiples of its size."""
    return sum(
        float(pdfmetrics.stringWidth(part, font, 1)) for font, part in page_runs(text, weight)
    )
