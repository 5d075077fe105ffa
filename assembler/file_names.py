"""File names that Linux, macOS and Windows all accept."""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from collections.abc import Sequence
from pathlib import Path

_MAX_BYTES = 120
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)


def utf_8_name(name: str) -> str:
    """Return a file's name as valid UTF-8: bytes of another encoding become escapes."""
    return name.encode("utf-8", "backslashreplace").decode()


def safe_name(text: str) -> str:
    """Return a file name, without its extension, made from any text.

    Letters of every script stay. A character that a system forbids becomes a hyphen; control and
    direction characters, and dots and spaces at the ends, are removed; the length is limited. No
    name begins like an option (``-``) or a home folder (``~``).

    Examples
    --------
    >>> safe_name('AC/DC: "Live"?')
    "AC-DC - 'Live'"
    """
    name = unicodedata.normalize("NFC", text)
    name = name.replace('"', "'").replace(": ", " - ")
    name = re.sub(r"[/\\:|<>]", "-", re.sub(r"[?*]", "", name))
    name = "".join(c for c in name if unicodedata.category(c)[0] != "C" or c == "\u200d")
    name = " ".join(name.split()).strip(". ")
    while len(name.encode()) > _MAX_BYTES:
        name = name[:-1].rstrip(". ")
    if not name or name[0] in "-~" or _RESERVED.fullmatch(name):
        name = f"_{name}"
    return name


def distinct_names(texts: Sequence[str]) -> list[str]:
    """Return a file name, without its extension, per text; no two name the same file anywhere.

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
    """Return a path that libsndfile opens whatever bytes its name has; ``-`` is a file there."""
    name = os.path.join(".", path)  # noqa: PTH118  (Path drops the dot)
    return name if sys.platform == "win32" else os.fsencode(name)


def track_file_name(title: str, number: int, disc: int, of_discs: int) -> str:
    """Return a track's file name without extension: ``03 Title``, or ``2-03 Title`` on disc 2."""
    prefix = f"{disc}-" if of_discs > 1 else ""
    return f"{prefix}{number:02d} {safe_name(title)}"
