"""File names that Linux, macOS and Windows all take."""

from __future__ import annotations

import re
import unicodedata

MOST_BYTES = 120
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)


def safe_name(text: str) -> str:
    """Make a file name, without its ending, of any text.

    Letters of every script stay. What a system forbids becomes a hyphen; control and direction
    signs go; dots and spaces at the ends go; the length is bounded.

    Examples
    --------
    >>> safe_name('AC/DC: "Live"?')
    "AC-DC - 'Live'"
    """
    name = unicodedata.normalize("NFC", text)
    name = name.replace('"', "'").replace(": ", " - ")
    name = re.sub(r"[/\\:|<>]", "-", re.sub(r"[?*]", "", name))
    name = "".join(s for s in name if unicodedata.category(s)[0] != "C" or s == "\u200d")
    name = " ".join(name.split()).strip(". ")
    while len(name.encode()) > MOST_BYTES:
        name = name[:-1].rstrip(". ")
    if not name or _RESERVED.fullmatch(name):
        name = f"_{name}"
    return name


def track_file_name(title: str, number: int, disc: int, of_discs: int) -> str:
    """Give a track file's name without its ending: ``03 Title``, or ``2-03 Title`` on disc 2."""
    prefix = f"{disc}-" if of_discs > 1 else ""
    return f"{prefix}{number:02d} {safe_name(title)}"
