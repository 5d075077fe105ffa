"""The characters that the texts on a disc can have.

Cue sheet and CD-Text are ISO 8859-1 (CD-Text: MMC-3, Annex J); a text has at most 80 characters and
no double quotes (common practice of cue readers).
"""

from __future__ import annotations

import unicodedata

from anyascii import anyascii

ENCODING = "iso-8859-1"
MOST_CHARACTERS = 80
UNQUOTABLE = '"\\'
"""Characters that cue readers take for the end of a text, or for an escape."""
_REPLACEMENTS = str.maketrans(UNQUOTABLE, "'/")


def disc_text(text: str) -> str:
    """Return a text in the characters that a disc can have.

    Characters outside ISO 8859-1 become their nearest ASCII letters, double quotes become single
    ones, backslashes slashes, and the text is cut after 80 characters. The result is empty where
    no character can be represented.

    Examples
    --------
    >>> disc_text('The “Sørlys” Песня')
    "The 'Sørlys' Pesnya"
    """
    composed = unicodedata.normalize("NFC", text)
    latin = "".join(c if is_latin_1(c) else anyascii(c) for c in composed)
    latin = " ".join(latin.translate(_REPLACEMENTS).split())[:MOST_CHARACTERS].rstrip()
    return latin if latin == text or latin.strip("?-_ '") else ""


def is_latin_1(character: str) -> bool:
    """Return whether a character is a printable one of ISO 8859-1."""
    return " " <= character <= "~" or "\xa1" <= character <= "\xff"
