"""Titles from a song list as it is pasted from a mail: numbers, dashes and times come off."""

from __future__ import annotations

import re

_BULLET = re.compile(r"^\s*[-–—•*·]\s+")
_NUMBER = re.compile(r"^\s*(?:track\s*)?(\d{1,3})\s*(?:[.):–—-]|\s)\s*(?=\S)", re.IGNORECASE)
_PUNCTUATED = re.compile(r"^\s*(?:track\s*)?\d{1,3}\s*[.):]\s+(?=\S)", re.IGNORECASE)
_TIME = re.compile(
    r"(?:[\s,]+[-–—]?\s*|\s*[(\[]\s*)(?:\d:)?\d{1,2}[:.][0-5]\d(?:\s*(?:min)?\s*[)\]])?\s*$"
)


def titles_in(text: str) -> list[str]:
    """Read one title from each line that has any.

    Running numbers are taken off where the lines count 1, 2, 3; a title such as "1999" or
    "7 Fathoms" keeps its own.

    Examples
    --------
    >>> titles_in("1. Low Lantern - 4:12\\n2) Tide Table (3:05)\\n3 - Bell Buoy")
    ['Low Lantern', 'Tide Table', 'Bell Buoy']
    """
    lines = [_BULLET.sub("", line).strip() for line in text.splitlines()]
    lines = [line for line in lines if line]
    numbers = [int(match[1]) if (match := _NUMBER.match(line)) else None for line in lines]
    counted = len(lines) > 1 and numbers == list(range(1, len(lines) + 1))
    pattern = _NUMBER if counted else _PUNCTUATED
    return [_without_time(pattern.sub("", line)) for line in lines]


def _without_time(line: str) -> str:
    title = _TIME.sub("", line).strip()
    quoted = re.fullmatch(r'["“„]([^"“”„]+)["”“]', title)
    return (quoted[1] if quoted else title) or line.strip()
