"""Languages and countries: ISO 639 and ISO 3166-1, from the tables of Debian's iso-codes.

The tables (package pycountry) are read only when a code is.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from assembler.text import shorten

UNDETERMINED = "und"
"""ISO 639-2: the language is not determined."""
NO_LANGUAGE = "zxx"
"""ISO 639-2: no linguistic content."""
_CODE = re.compile(r"[a-z]{2,3}([-_][a-z0-9]{2,8})*", re.ASCII | re.IGNORECASE)


def parse_language(text: str) -> str:
    """Read an ISO 639 code, a region after it allowed, or a language's English name.

    Raises
    ------
    ValueError
        It is neither.

    Examples
    --------
    >>> parse_language("en-GB"), parse_language("nob"), parse_language("English")
    ('en-GB', 'nob', 'en')
    """
    code = text.strip()
    if _CODE.fullmatch(code) and _language(_primary(code)):
        return code
    if named := _named_language(code):
        return str(getattr(named, "alpha_2", named.alpha_3))
    raise ValueError(
        f"`{shorten(text)}` is not a language of ISO 639: write its code, such as en, nob, or zxx "
        "for an instrumental"
    )


def parse_country(text: str) -> str:
    """Read an ISO 3166-1 code of two letters, or a country's English name.

    Raises
    ------
    ValueError
        It is neither.

    Examples
    --------
    >>> parse_country("no"), parse_country("Norway")
    ('NO', 'NO')
    """
    found = _country(text.strip())
    if found is None:
        raise ValueError(
            f"`{shorten(text)}` is not a country of ISO 3166-1: write its two letters, such as NO"
        )
    return str(found.alpha_2)


def three_letters(language: str | None) -> str:
    """Return a language as ID3 needs it: the three letters of ISO 639-2/T, or `UNDETERMINED`.

    Examples
    --------
    >>> three_letters("de"), three_letters("pt-BR"), three_letters("ger"), three_letters(None)
    ('deu', 'por', 'deu', 'und')
    """
    found = _language(_primary(language)) if language else None
    return str(found.alpha_3) if found else UNDETERMINED


def _primary(code: str) -> str:
    return code.lower().replace("_", "-").partition("-")[0]


@cache
def _named_language(name: str) -> Any:
    return _found(lambda tables: tables.languages.lookup(name))


@cache
def _country(text: str) -> Any:
    return _found(lambda tables: tables.countries.lookup(text))


@cache
def _language(code: str) -> Any:
    """Return the entry of a code of two or three letters; None where there is none."""
    if len(code) == 2:
        return _found(lambda tables: tables.languages.get(alpha_2=code))
    return _found(
        lambda tables: (
            tables.languages.get(alpha_3=code)
            or tables.languages.get(bibliographic=code)
            or tables.language_families.get(alpha_3=code)
        )
    )


def _found(look_up: Any) -> Any:
    import pycountry

    try:
        return look_up(pycountry)
    except LookupError:
        return None
