"""Format numbers, times and lists for people, the same everywhere."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from itertools import groupby

FRAMES_PER_SECOND = 75
"""CD frames per second (IEC 60908 and ECMA-130, chapter "Sectors")."""
NOTHING = "–"
"""Shown where there is no value."""
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""What a spreadsheet takes for the beginning of a formula."""


def without_formula(cell: str) -> str:
    """Return a cell of a CSV file with an apostrophe in front where it would be a formula.

    Examples
    --------
    >>> without_formula("=A1"), without_formula("Low Lantern")
    ("'=A1", 'Low Lantern')
    """
    return f"'{cell}" if cell.lstrip("'").startswith(FORMULA_SIGNS) else cell


def decimal(value: float | None, digits: int = 1) -> str:
    """Return a number with a true minus sign and no negative zero; a dash for None.

    Examples
    --------
    >>> decimal(-14.04), decimal(-0.04), decimal(None)
    ('−14.0', '0.0', '–')
    """
    if value is None:
        return NOTHING
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def signed(value: float | None, digits: int = 1) -> str:
    """Return a number with its sign, formatted as in `decimal`; zero has a plus.

    Examples
    --------
    >>> signed(1.25, 2), signed(-0.04)
    ('+1.25', '+0.0')
    """
    if value is None:
        return NOTHING
    return f"{round(value, digits) + 0.0:+.{digits}f}".replace("-", "−")


def signed_db(gain_db: float) -> str:
    """Return a gain with its sign and unit.

    Examples
    --------
    >>> signed_db(-0.5)
    '−0.50 dB'
    """
    return f"{signed(gain_db, 2)} dB"


def compact(value: float) -> str:
    """Write a number without trailing zeros and with a true minus sign.

    Examples
    --------
    >>> compact(-14.0), compact(0.25)
    ('−14', '0.25')
    """
    return f"{value + 0.0:g}".replace("-", "−")


def three_digits(value: float) -> str:
    """Write a measured value of any kind with three significant digits.

    Examples
    --------
    >>> three_digits(-38.605), three_digits(15.0), three_digits(0.0142)
    ('−38.6', '15', '0.0142')
    """
    return compact(float(f"{value:.3g}"))


def counted(number: int, noun: str) -> str:
    """Write a number with its noun, in the singular for 1.

    Examples
    --------
    >>> counted(1, "peak"), counted(12, "peak")
    ('1 peak', '12 peaks')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"


def number_ranges(numbers: Iterable[int]) -> str:
    """Return a list of numbers in which three or more in a row are a range.

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


def frames_text(frames: int) -> str:
    """Return a count of frames as ``mm:ss:ff``.

    Examples
    --------
    >>> frames_text(359775)
    '79:57:00'
    """
    seconds, rest = divmod(frames, FRAMES_PER_SECOND)
    return f"{seconds // 60:02d}:{seconds % 60:02d}:{rest:02d}"


def duration_text(time_s: Fraction | float) -> str:
    """Return a duration as sleeves print it: ``m:ss``, rounded half up to the second.

    Examples
    --------
    >>> duration_text(252.8)
    '4:13'
    """
    seconds = int(Fraction(time_s) + Fraction(1, 2))
    return f"{seconds // 60}:{seconds % 60:02d}"


def clock_text(time_s: Fraction | float) -> str:
    """Return a position in a recording to the hundredth of a second: ``m:ss.ff``.

    Examples
    --------
    >>> clock_text(83.5)
    '1:23.50'
    """
    hundredths = int(Fraction(time_s) * 100 + Fraction(1, 2))
    seconds, rest = divmod(hundredths, 100)
    return f"{seconds // 60}:{seconds % 60:02d}.{rest:02d}"


_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def date_text(date: str) -> str:
    """Write an ISO 8601 date, month or year in words.

    Examples
    --------
    >>> date_text("2026-06-21"), date_text("2026-02"), date_text("1991")
    ('21 June 2026', 'February 2026', '1991')
    """
    year, *rest = date.split("-")
    month = _MONTHS[int(rest[0]) - 1] if rest else ""
    day = str(int(rest[1])) if len(rest) > 1 else ""
    return " ".join(part for part in (day, month, year) if part)


def shorten(text: str, most: int = 60) -> str:
    """Return a text shortened for a message, so that one finding stays one line."""
    line = " ".join(text.split())
    line = "".join(c if c.isprintable() else f"<U+{ord(c):04X}>" for c in line)
    return line if len(line) <= most else line[: most - 1] + "…"
