"""File names that Linux, macOS and Windows all take."""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from collections.abc import Sequence
from pathlib import Path

MOST_BYTES = 120
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)


def utf_8_name(name: str) -> str:
    """Return a file's name as UTF-8 can hold it: bytes of another encoding become escapes."""
    return name.encode("utf-8", "backslashreplace").decode()


def safe_name(text: str) -> str:
    """Make a file name, without its ending, of any text.

    Letters of every script stay. What a system forbids becomes a hyphen; control and direction
    signs go; dots and spaces at the ends go; the length is bounded. No name begins as an option
    (``-``) or a home folder (``~``) does.

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
    if not name or name[0] in "-~" or _RESERVED.fullmatch(name):
        name = f"_{name}"
    return name


def distinct_names(texts: Sequence[str]) -> list[str]:
    """Make a file name, without its ending, of each text; no two are one file on any system.

    Examples
    --------
    >>> distinct_names(["Side A", "side a", "Side B"])
    ['Side A', 'side a (2)', 'Side B']
    """
    names: list[str] = []
    taken: set[str] = set()
    for text in texts:
        name = safe = safe_name(text)
        number = 1
        while name.casefold() in taken:
            number += 1
            name = f"{safe} ({number})"
        taken.add(name.casefold())
        names.append(name)
    return names


def for_libsndfile(path: Path) -> str | bytes:
    """Return a path as libsndfile opens it: whatever bytes its name has, and ``-`` as a file."""
    name = os.path.join(".", path)  # noqa: PTH118  (Path drops the dot)
    return name if sys.platform == "win32" else os.fsencode(name)


def track_file_name(title: str, number: int, disc: int, of_discs: int) -> str:
    """Give a track file's name without its ending: ``03 Title``, or ``2-03 Title`` on disc 2."""
    prefix = f"{disc}-" if of_discs > 1 else ""
    return f"{prefix}{number:02d} {safe_name(title)}"
