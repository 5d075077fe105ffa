"""The signs that a disc's texts can hold.

Cue sheet and CD-Text are ISO 8859-1 (CD-Text: MMC-3, Annex J); a text has 80 characters at the most
and no double quotes (common practice, no source).
"""

from __future__ import annotations

import unicodedata

from anyascii import anyascii

ENCODING = "iso-8859-1"
MOST_CHARACTERS = 80
UNQUOTABLE = '"\\'
"""Signs that readers of a cue sheet take for the end of a text, or for a sign before it."""
_INSTEAD = str.maketrans(UNQUOTABLE, "'/")


def disc_text(text: str) -> str:
    """Spell a text with the signs that a disc can hold.

    Signs outside ISO 8859-1 are written with their nearest ASCII letters, double quotes become
    single ones, backslashes slashes, and the text is cut after 80 characters. It is empty where
    nothing is left of it.

    Examples
    --------
    >>> disc_text('The “Sørlys” Песня')
    "The 'Sørlys' Pesnya"
    """
    composed = unicodedata.normalize("NFC", text)
    spelt = "".join(sign if is_latin_1(sign) else anyascii(sign) for sign in composed)
    spelt = " ".join(spelt.translate(_INSTEAD).split())[:MOST_CHARACTERS].rstrip()
    return spelt if spelt == text or spelt.strip("?-_ '") else ""


def is_latin_1(sign: str) -> bool:
    """Tell a sign that ISO 8859-1 prints."""
    return " " <= sign <= "~" or "\xa1" <= sign <= "\xff"
