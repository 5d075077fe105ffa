"""The fonts of this package, and which of them has a character."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from functools import cache
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Literal

from assembler.typeset.cmap import read_characters

Weight = Literal["regular", "bold"]

FOLDER = Path(__file__).parent / "fonts"
FILES = {
    "DejaVuSans": "DejaVuSans.ttf",
    "DejaVuSans-Bold": "DejaVuSans-Bold.ttf",
    "DroidSansFallback": "DroidSansFallbackFull.ttf",
    "NanumSquare": "NanumSquareR.ttf",
}
"""File of each font, by its PostScript name."""

REGULAR = ("DejaVuSans", "DroidSansFallback", "NanumSquare")
ORDER: dict[Weight, tuple[str, ...]] = {"regular": REGULAR, "bold": ("DejaVuSans-Bold", *REGULAR)}
"""Where to look for a character, first to last."""

NO_GLYPH = "□"
"""Printed for a character that no font has."""

_ARABIC_FORMS = range(0xFB50, 0xFEFD)
"""Unicode blocks Arabic Presentation Forms-A to -B."""

_INVISIBLE = re.compile(
    "[\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b-\u200f\u202a-\u202e"
    "\u2060-\u206f\u3164\ufe00-\ufe0f\ufeff\uffa0\U000e0000-\U000e0fff]"
)
"""Joiners, variation selectors, direction marks and other characters that print nothing."""

_MARKED = re.compile("[^\u0300-\u036f\u3099\u309a][\u0300-\u036f\u3099\u309a]+|[\u1100-\u11ff]+")
"""A letter with combining accents or sound marks, or Korean letters of one syllable."""


@cache
def characters_of(font: str) -> frozenset[int]:
    """Return the code points that a font has a glyph for."""
    return read_characters(FOLDER / FILES[font])


def missing_characters(text: str) -> str:
    """Return the distinct characters of a text that none of the fonts has, in order.

    White space and invisible characters don't count.

    Examples
    --------
    >>> missing_characters("Low Lantern \N{DEVANAGARI LETTER A}")
    '\N{DEVANAGARI LETTER A}'
    """
    if text.isascii():
        return ""
    signs = dict.fromkeys(printed(composed(text)))
    return "".join(sign for sign in signs if not sign.isspace() and not is_carried(sign))


def is_carried(sign: str) -> bool:
    """Return whether one of the fonts has a character."""
    return _font_of(sign, "regular") is not None


def letter_of(sign: str) -> str:
    """Return the Arabic letter of a presentation form; other characters unchanged."""
    return unicodedata.normalize("NFKC", sign) if ord(sign) in _ARABIC_FORMS else sign


def composed(text: str) -> str:
    """Return a text with letters and combining marks composed.

    Only those: normalising the whole text would replace some Chinese characters in names.
    """
    if text.isascii():
        return text
    return _MARKED.sub(lambda match: unicodedata.normalize("NFC", match[0]), text)


def printed(text: str) -> str:
    """Return a text without invisible characters."""
    return text if text.isascii() else _INVISIBLE.sub("", text)


def font_runs(text: str, weight: Weight) -> list[tuple[str, str]]:
    """Split a text into runs of one font each.

    Parameters
    ----------
    text
        In printed order.

    Returns
    -------
    list of (font, text)
        White space becomes a plain space, a character without a font `NO_GLYPH`.
    """
    parts = groupby(_parts(printed(text), weight), key=itemgetter(0))
    return [(font, "".join(part for _, part in run)) for font, run in parts]


def clusters(text: str) -> list[str]:
    """Split a text into letters, each with its combining marks."""
    parts: list[str] = []
    for sign in text:
        if parts and unicodedata.category(sign).startswith("M"):
            parts[-1] += sign
        else:
            parts.append(sign)
    return parts


def _parts(text: str, weight: Weight) -> Iterator[tuple[str, str]]:
    first = ORDER[weight][0]
    if text.isascii():
        yield first, re.sub(r"\s", " ", text)
        return
    for cluster in clusters(text):
        if cluster.isspace():
            yield first, " "
        elif font := _font_of(cluster, weight):
            yield font, cluster
        elif not _font_of(cluster[0], weight):
            yield first, NO_GLYPH
        else:
            for sign in cluster:
                font = _font_of(sign, weight)
                yield (font, sign) if font else (first, NO_GLYPH)


@cache
def _font_of(cluster: str, weight: Weight) -> str | None:
    wanted = {ord(sign) for sign in cluster}
    return next((font for font in ORDER[weight] if wanted <= characters_of(font)), None)
