"""Numbers and lists as people read them, the same everywhere."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

NOTHING = "–"
"""Stands where there is no value."""


def decimal(value: float | None, digits: int = 1) -> str:
    """Write a number with a true minus sign and no negative zero; a dash for None.

    Examples
    --------
    >>> decimal(-14.04), decimal(-0.04), decimal(None)
    ('−14.0', '0.0', '–')
    """
    if value is None:
        return NOTHING
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def signed(value: float | None, digits: int = 1) -> str:
    """Write a number with its sign, as `decimal`; zero has a plus.

    Examples
    --------
    >>> signed(1.25, 2), signed(-0.04)
    ('+1.25', '+0.0')
    """
    if value is None:
        return NOTHING
    return f"{round(value, digits) + 0.0:+.{digits}f}".replace("-", "−")


def number_ranges(numbers: Iterable[int]) -> str:
    """Write numbers with three or more in a row as a range.

    Examples
    --------
    >>> number_ranges([1, 2, 3, 5, 7, 8])
    '1–3, 5, 7, 8'
    """
    texts: list[str] = []
    ordered = sorted(set(numbers))
    for _, group in groupby(enumerate(ordered), key=lambda pair: pair[1] - pair[0]):
        row = [number for _, number in group]
        texts += [f"{row[0]}–{row[-1]}"] if len(row) > 2 else map(str, row)
    return ", ".join(texts)
