"""Durations that a song list gives, held against songs as they were found."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from assembler.text import duration_text

LEAST_ALLOWED_S = 5.0
ALLOWED_SHARE = 0.03
"""A list rounds, counts the gap or not, and was timed on another deck."""
SPEED_SHARE = 0.01
"""Where all songs differ by more than this in the same sense, the tape's speed is off."""


def fits(lengths_s: Sequence[float], durations_s: Sequence[float | None]) -> bool:
    """Tell whether songs last as long as listed, as far as the list tells."""
    return not misfits(lengths_s, durations_s)


def misfits(lengths_s: Sequence[float], durations_s: Sequence[float | None]) -> list[int]:
    """List the songs, from 0, that do not last as long as listed."""
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
    """Give for each song the place in the list whose duration fits it; None if none can.

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
    """Say where songs do not last as long as listed, and what would explain it."""
    off = misfits(lengths_s, durations_s)
    if len(off) > 1 and (order := order_that_fits(lengths_s, durations_s)):
        told = ", ".join(str(place + 1) for place in order)
        return [f"the durations fit if the list is in another order: {told}; titles are not moved"]
    said = []
    for n in off:
        listed = duration_text(durations_s[n] or 0)
        said.append(f"song {n + 1} lasts {duration_text(lengths_s[n])}, the list says {listed}")
    ratios = [a / d for a, d in zip(lengths_s, durations_s, strict=True) if d]
    if len(ratios) > 2 and off and max(ratios) - min(ratios) < SPEED_SHARE * 2:
        percent = 100 * (float(np.median(ratios)) - 1)
        if abs(percent) > 100 * SPEED_SHARE:
            how = "slow" if percent > 0 else "fast"
            said = [
                f"all songs last {percent:+.1f} % of what the list says: the tape may run {how}"
            ]
    return said
