"""ISRC and barcode numbers: their format and their check digits.

ISRC: ISO 3901:2019 and the ISRC Handbook. Barcode: GS1 General Specifications, EAN-13 and UPC-A.
No code is ever invented here: codes are assigned by the national ISRC agency and by GS1.
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
