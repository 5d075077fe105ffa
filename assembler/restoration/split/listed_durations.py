"""Compare the durations of a song list with the songs that were found."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from assembler.text import duration_text, signed

LEAST_ALLOWED_S = 5.0
ALLOWED_SHARE = 0.03
"""Lists are rounded, may include the gap, and may be timed on another deck."""
SPEED_SHARE = 0.01
"""If all songs differ by more than this in the same direction, the speed of the tape is off."""


def fits(lengths_s: Sequence[float], durations_s: Sequence[float | None]) -> bool:
    """Return whether the songs are as long as listed, where the list has a duration."""
    return not misfits(lengths_s, durations_s)


def misfits(lengths_s: Sequence[float], durations_s: Sequence[float | None]) -> list[int]:
    """List the songs, from 0, that are not as long as listed."""
    pairs = enumerate(zip(lengths_s, durations_s, strict=True))
    return [
        n
        for n, (length, duration) in pairs
        if duration is not None
        and abs(length - duration) > max(LEAST_ALLOWED_S, ALLOWED_SHARE * duration)
    ]


def order_that_fits(
    lengths_s: Sequence[float], durations_s: Sequence[float | None]
) -> list[int] | None:
    """Return for each song the place in the list whose duration fits it; None if no order fits.

    The shortest song belongs to the shortest duration, and so on: if any order fits, that one does.
    """
    known = [duration for duration in durations_s if duration is not None]
    if len(known) < len(lengths_s):
        return None
    order = [0] * len(known)
    for song, place in zip(np.argsort(lengths_s), np.argsort(known), strict=True):
        order[int(song)] = int(place)
    return order if fits(lengths_s, [known[place] for place in order]) else None


def remarks_on_durations(
    lengths_s: Sequence[float], durations_s: Sequence[float | None]
) -> list[str]:
    """Return remarks on songs that are not as long as listed, with a possible explanation."""
    off = misfits(lengths_s, durations_s)
    if len(off) > 1 and (order := order_that_fits(lengths_s, durations_s)):
        places = ", ".join(str(place + 1) for place in order)
        return [f"the durations fit the list in another order: {places}; titles were not reordered"]
    remarks = []
    for n in off:
        listed = duration_text(durations_s[n] or 0)
        remarks.append(f"song {n + 1} lasts {duration_text(lengths_s[n])}, the list says {listed}")
    ratios = [a / d for a, d in zip(lengths_s, durations_s, strict=True) if d]
    if len(ratios) > 2 and off and max(ratios) - min(ratios) < SPEED_SHARE * 2:
        percent = 100 * (float(np.median(ratios)) - 1)
        if abs(percent) > 100 * SPEED_SHARE:
            how = "slow" if percent > 0 else "fast"
            differ = f"all songs differ from the list by {signed(percent)} %"
            remarks = [f"{differ}: the tape may run {how}"]
    return remarks
