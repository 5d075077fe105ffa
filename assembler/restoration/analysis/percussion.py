"""Distinguish struck wood from clicks: after the hit it rings, and the ringing dies away.

A predictor fitted to the sound before a place whitens it. After a click the whitened sound is as
before. After a hit of claves, a woodblock or a rim it is much stronger, strong beside the hit
itself, and falls slowly. The tail of a thump falls too, but is below the modes of wood.

Sound as loud as the hit masks its tail. But a hit is played again, and rings alike each time: what
has the tail of three hits near by that do ring is a hit too. A scratch recurs as well, so its
recurrence proves nothing; after it there is only the music, which is not alike.

Source: a click is added to music that continues after it, a note excites what rings on (Godsill
and Rayner, Digital Audio Restoration, 1998, from memory). All figures: tuned empirically on struck
wood made by code and on music with clicks (`tests/bench/clicks.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.autoregression import (
    RIDGE,
    error_power,
    levinson,
    lpc,
    prediction_errors,
)

_ORDER = 31
_PART = 176
"""Samples of each part of a tail at rates near 44.1 kHz: 4 ms."""
_MORE, _STILL_MORE = 1.6, 1.15
"""Least power of the first part and of the second, re the sound before."""
_SHARE = 0.022
"""Least RMS of the first part, re the peak of the hit."""
_MOST_LEFT, _LEAST_LEFT = 0.95, 0.03
"""Power of the second part, re the first: at most, and at least."""
_LEAST_TURN = 2.0 - 2.0 * np.cos(2.0 * np.pi * 300.0 / 44_100.0)
"""Least power of the tail's differences, re the tail: that of a tone of 300 Hz."""
_BEFORE, _ONSET = 1764, 36
"""Samples before a hit that show the sound around it, and those of its onset, left out."""
_SKIPPED, _TAIL, _SHIFT = 66, 330, 4
"""Samples from a hit to the tail that is compared, in the tail, and by which tails are shifted."""
_APART = 2205
"""Samples: less than the time from one hit to the next."""
_TOGETHER = 88
"""Samples: the most between a hit in one channel and in the other."""
_ALIKE, _LEAST_LIKENESS = 3, 0.3
"""Hits whose tail a place must have, and their mean normalised cross-correlation."""


@compiled
def rings_on(sound: NDArray[Any], low: int, high: int, start: int, end: int, scale: int) -> bool:
    """Return whether the samples from `low` to `high` begin a sound that rings and dies away.

    The sound is between `start` and `end`, with zeros outside.
    """
    part = _PART * scale
    if low - 2 * part - _ORDER < start or high + 2 * part > end:
        return False
    taps = lpc(sound[start:low], _ORDER)
    errors = prediction_errors(sound[: high + 2 * part], taps)
    before = max(
        error_power(errors, low - 2 * part, low - part), error_power(errors, low - part, low)
    )
    first = error_power(errors, high, high + part)
    second = error_power(errors, high + part, high + 2 * part)
    turn, peak = 1e-18, 0.0
    for i in range(high, high + part - 1):
        turn += (errors[i + 1] - errors[i]) ** 2
    for i in range(low, high):
        peak = max(peak, abs(errors[i]))
    is_stronger = first > _MORE * before and second > _STILL_MORE * before
    falls = _LEAST_LEFT * first < second < _MOST_LEFT * first
    is_of_the_hit = first > part * (_SHARE * peak) ** 2
    return is_stronger and falls and is_of_the_hit and turn * scale**2 > _LEAST_TURN * first


def like_hits(
    sound: NDArray[np.float32], places: Sequence[int], hits: Sequence[int], scale: int
) -> list[bool]:
    """Return whether at each place there is a hit like others near by.

    Parameters
    ----------
    sound
        Shape (samples, 2). Both channels are compared together.
    places, hits
        First samples of what may be hits, and of those that ring.
    scale
        Factor for lengths in samples, see `click_search.time_scale`.
    """
    starts = np.array(hits)
    if len(hits) < _ALIKE or not places:
        return [bool(np.any(abs(starts - place) < _TOGETHER * scale)) for place in places]
    taps = _common_filter(sound, [*hits, *places], scale)
    tails = [_tail(sound, hit, taps, _SHIFT, scale) for hit in hits]
    found = []
    for place in places:
        apart = abs(starts - place)
        tail = _tail(sound, place, taps, 0, scale)
        likeness = sorted(
            _likeness(tail, tails[k]) for k in np.flatnonzero(apart > _APART * scale)
        )[-_ALIKE:]
        is_like = len(likeness) == _ALIKE and np.mean(likeness) > _LEAST_LIKENESS
        found.append(bool(is_like or np.any(apart < _TOGETHER * scale)))
    return found


def _common_filter(
    sound: NDArray[np.float32], places: Sequence[int], scale: int
) -> NDArray[np.float64]:
    """Return the prediction-error filter of the sound before all places, each of equal weight."""
    hann = np.hanning(_BEFORE * scale + 2)[1:-1]
    lags = np.zeros(_ORDER + 1)
    for place in places:
        end = place - _ONSET * scale
        if end < len(hann):
            continue
        part = _middle(sound, end - len(hann), end) * hann
        products = np.array([part[: len(part) - k] @ part[k:] for k in range(_ORDER + 1)])
        lags += products / max(products[0], 1e-20)
    return levinson(lags, RIDGE)


def _tail(
    sound: NDArray[np.float32], place: int, taps: NDArray[np.float64], shift: int, scale: int
) -> NDArray[np.float64]:
    """Return the whitened sound after a hit, longer by `shift` on either side."""
    first = place + (_SKIPPED - shift) * scale
    last = first + (_TAIL + 2 * shift) * scale
    return prediction_errors(_middle(sound, first - _ORDER, last), taps)[_ORDER:]


def _middle(sound: NDArray[np.float32], first: int, last: int) -> NDArray[np.float64]:
    """Return the mean of both channels from one sample to before another."""
    return np.asarray(sound[first:last].mean(axis=1, dtype=np.float64))


def _likeness(tail: NDArray[np.float64], longer: NDArray[np.float64]) -> float:
    """Return the highest normalised cross-correlation of a tail and a longer one."""
    products = np.correlate(longer, tail)
    powers = np.convolve(longer**2, np.ones(len(tail)), "valid")
    return float(np.max(products / np.sqrt(powers * (tail @ tail) + 1e-20)))
