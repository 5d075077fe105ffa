"""The words that a disc carries, spelt with the signs that its standards can hold.

Cue sheet and CD-Text are ISO 8859-1 (CD-Text: MMC-3, Annex J); a text has 80 characters at the most
and no double quotes (common practice, no source). Both files show the same words.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from anyascii import anyascii

ENCODING = "iso-8859-1"
MOST_CHARACTERS = 80


@dataclass(frozen=True)
class TrackTexts:
    """Words and code of one track, as `disc_text` spells them; empty where there are none."""

    title: str
    performer: str
    songwriter: str = ""
    composer: str = ""
    arranger: str = ""
    message: str = ""
    isrc: str | None = None


@dataclass(frozen=True)
class ReleaseTexts:
    """Words and codes of the whole disc, as `disc_text` spells them; empty where there are none."""

    title: str
    performer: str
    songwriter: str = ""
    composer: str = ""
    arranger: str = ""
    message: str = ""
    catalogue_number: str = ""
    genre: str = ""
    year: str = ""
    barcode: str | None = None


def disc_text(text: str) -> str:
    """Spell a text with the signs that a disc can hold.

    Signs outside ISO 8859-1 are written with their nearest ASCII letters, double quotes become
    single ones, and the text is cut after 80 characters.

    Examples
    --------
    >>> disc_text('The “Sørlys” Песня')
    "The 'Sørlys' Pesnya"
    """
    composed = unicodedata.normalize("NFC", text)
    spelt = "".join(sign if is_latin_1(sign) else anyascii(sign) for sign in composed)
    spelt = " ".join(spelt.replace('"', "'").split())
    return spelt[:MOST_CHARACTERS].rstrip()


def is_latin_1(sign: str) -> bool:
    """Tell a sign that ISO 8859-1 prints."""
    return " " <= sign <= "~" or "\xa1" <= sign <= "\xff"
