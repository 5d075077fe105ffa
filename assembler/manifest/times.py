"""Times as people write them, read exactly: seconds, m:ss, h:mm:ss, and frames of a disc.

A frame is 1/75 s (IEC 60908 and ECMA-130, chapter "Sectors").
"""

from __future__ import annotations

import re
from fractions import Fraction

from assembler.text import FRAMES_PER_SECOND, shorten

_CLOCK = re.compile(r"(?:(?:(\d+):)?(\d+):)?(\d+(?:\.\d+)?|\.\d+)")
_MSF = re.compile(r"(\d+):([0-5]\d)(?::(\d\d))?")


def parse_seconds(text: str) -> Fraction:
    """Read a time in seconds (``2``, ``0.35``), ``m:ss``, ``m:ss.fff`` or ``h:mm:ss.fff``.

    Returns
    -------
    Fraction
        The time in seconds, exact.

    Raises
    ------
    ValueError
        The text is not such a time.

    Examples
    --------
    >>> parse_seconds("4:12.8")
    Fraction(1264, 5)
    """
    match = _CLOCK.fullmatch(text.strip())
    if match is None or len(text) > 40:
        raise ValueError(f"`{shorten(text)}` is not a time: write seconds (2.5), m:ss or h:mm:ss")
    hours, minutes, seconds = match.groups()
    time_s = Fraction(seconds)
    if minutes is not None and time_s >= 60:
        raise ValueError(f"`{text}` has {seconds} seconds in a minute: at most 59 are possible")
    if hours is not None and int(minutes) >= 60:
        raise ValueError(f"`{text}` has {minutes} minutes in an hour: at most 59 are possible")
    return int(hours or 0) * 3600 + int(minutes or 0) * 60 + time_s


def parse_frames(text: str) -> int:
    """Read ``m:ss`` or ``m:ss:ff`` as a count of frames.

    Raises
    ------
    ValueError
        The text is not such a time.

    Examples
    --------
    >>> parse_frames("79:57")
    359775
    """
    match = _MSF.fullmatch(text.strip())
    if match is None or len(text) > 20 or int(match[3] or 0) >= FRAMES_PER_SECOND:
        raise ValueError(
            f"`{shorten(text)}` is not a disc time: write m:ss or m:ss:ff, with ff from 00 to 74"
        )
    minutes, seconds, frames = int(match[1]), int(match[2]), int(match[3] or 0)
    return (minutes * 60 + seconds) * FRAMES_PER_SECOND + frames
