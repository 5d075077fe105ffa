"""ISRC, ISWC, IPI and barcode numbers: their format and their check digits.

ISRC: ISO 3901:2019 and the ISRC Handbook. Barcode: GS1 General Specifications, EAN-13 and UPC-A.
ISWC: ISO 15707. IPI: CISAC's name number. The check digits of both are from memory, and the same as
in the open-source package django-music-publisher 26.9 (IPI), and in ISO 15707's own example (ISWC).
No code is ever invented here: codes are assigned by the national ISRC agency, by GS1 and by the
collecting societies.
"""

from __future__ import annotations

import re

from assembler.text import shorten

_ISRC = re.compile(r"[A-Z]{2}[A-Z0-9]{3}\d{7}", re.ASCII)


def parse_isrc(text: str) -> str:
    """Read an ISRC with or without its hyphens and return its 12 characters.

    Raises
    ------
    ValueError
        The text does not have the format of an ISRC.

    Examples
    --------
    The ISRC Handbook's own invented example:

    >>> parse_isrc("ISRC AA-6Q7-20-00047")
    'AA6Q72000047'
    """
    code = re.sub(r"^ISRC[\s:]*", "", text.strip(), flags=re.IGNORECASE).upper()
    code = re.sub(r"[-\s‐‑–]", "", code)
    if not _ISRC.fullmatch(code):
        raise ValueError(
            f"`{shorten(text)}` is not an ISRC: an ISRC has 2 letters, 3 letters or digits, 2 "
            "digits for the year and 5 digits, as in AA-6Q7-20-00047"
        )
    return code


def parse_isrc_prefix(text: str) -> str:
    """Read the five characters that were assigned to an owner of recordings.

    Raises
    ------
    ValueError
        It is not 2 letters and 3 letters or digits.

    Examples
    --------
    >>> parse_isrc_prefix("AA-6Q7")
    'AA6Q7'
    """
    prefix = re.sub(r"[-\s]", "", text.strip()).upper()
    if not re.fullmatch(r"[A-Z]{2}[A-Z0-9]{3}", prefix, re.ASCII):
        raise ValueError(
            f"`{shorten(text)}` is not an ISRC prefix: a prefix has 2 letters, then 3 letters or "
            "digits, as in AA6Q7"
        )
    return prefix


def isrc_text(code: str) -> str:
    """Return an ISRC as it is printed, with hyphens.

    Examples
    --------
    >>> isrc_text("AA6Q72000047")
    'AA-6Q7-20-00047'
    """
    return f"{code[:2]}-{code[2:5]}-{code[5:7]}-{code[7:]}"


def parse_iswc(text: str) -> str:
    """Read an ISWC with or without its marks and return it as it is printed.

    The check digit brings 1 and the nine digits, each times its place, to a multiple of 10.

    Raises
    ------
    ValueError
        The text does not have the format of an ISWC, or its check digit is wrong.

    Examples
    --------
    The example of ISO 15707:

    >>> parse_iswc("T0345246801")
    'T-034.524.680-1'
    """
    code = re.sub(r"^ISWC[\s:]*", "", text.strip(), flags=re.IGNORECASE).upper()
    code = re.sub(r"[-.\s‐‑–]", "", code)
    if not re.fullmatch(r"T\d{10}", code, re.ASCII):
        raise ValueError(
            f"`{shorten(text)}` is not an ISWC: an ISWC has the letter T and 10 digits, as in "
            "T-034.524.680-1"
        )
    digits = [int(digit) for digit in code[1:]]
    expected = -(1 + sum(place * digit for place, digit in enumerate(digits[:9], 1))) % 10
    _require_check("ISWC", text, code[-1], str(expected))
    return f"T-{code[1:4]}.{code[4:7]}.{code[7:10]}-{code[10]}"


def parse_ipi(text: str) -> str:
    """Read an IPI name number and return its 11 digits; leading zeros may be left out.

    The last two digits are a check number modulo 101, with weights from 10 down to 2.

    Raises
    ------
    ValueError
        The text does not have 9 to 11 digits, or its check number is wrong.

    Examples
    --------
    An invented number:

    >>> parse_ipi("999.999.999-19")
    '99999999919'
    """
    code = re.sub(r"[-.\s‐‑–]", "", re.sub(r"^IPI[\s:]*", "", text.strip(), flags=re.IGNORECASE))
    if not re.fullmatch(r"\d{9,11}", code, re.ASCII):
        raise ValueError(f"`{shorten(text)}` is not an IPI name number: it has 9 to 11 digits")
    code = code.zfill(11)
    rest = sum(weight * int(digit) for weight, digit in zip(range(10, 1, -1), code, strict=False))
    rest %= 101
    expected = (101 - rest) % 100 if rest else 0
    _require_check("IPI", text, code[-2:], f"{expected:02d}")
    return code


def _require_check(what: str, text: str, found: str, expected: str) -> None:
    if found != expected:
        raise ValueError(
            f"the {what} `{shorten(text)}` ends with {found}, but its other digits require "
            f"{expected}: compare it with the number that the society assigned"
        )


def gs1_check_digit(digits: str) -> int:
    """Compute the GS1 check digit for the digits before it.

    Weights 3 and 1 alternate from the right; the check digit brings the sum to a multiple of 10.

    Examples
    --------
    The example of the GS1 General Specifications:

    >>> gs1_check_digit("629104150021")
    3
    """
    total = sum(int(d) * (3 if i % 2 == 0 else 1) for i, d in enumerate(reversed(digits)))
    return -total % 10


def parse_barcode(text: str) -> str:
    """Read an EAN-13 or UPC-A number, spaces and hyphens allowed, and return its digits.

    Raises
    ------
    ValueError
        The number does not have 12 or 13 digits, or its check digit is wrong.
    """
    code = re.sub(r"[-\s]", "", text.strip())
    if not re.fullmatch(r"\d{12,13}", code, re.ASCII):
        raise ValueError(
            f"`{shorten(text)}` is not a barcode: an EAN-13 has 13 digits, a UPC-A has 12"
        )
    expected = gs1_check_digit(code[:-1])
    if int(code[-1]) != expected:
        raise ValueError(
            f"the check digit of `{code}` is {code[-1]}, but its other digits require {expected}: "
            "compare it with the number that GS1 assigned"
        )
    return code


def ean13(barcode: str) -> str:
    """Return a barcode as 13 digits: a UPC-A is an EAN-13 with a leading 0."""
    return barcode.zfill(13)
