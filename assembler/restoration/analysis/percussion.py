"""Distinguish struck wood from clicks: after the hit it rings, and the ringing dies away.

A predictor fitted to the sound before a place whitens it. After a click the whitened sound is as
before. After a hit of claves, a woodblock or a rim it is much stronger, strong beside the hit
itself, and falls slowly. The tail of a thump falls too, but is below the modes of wood.

Source: a click is added to music that continues after it, a note excites what rings on (Godsill
and Rayner, Digital Audio Restoration, 1998, from memory). All figures: tuned empirically on struck
wood made by code and on music with clicks (`tests/bench/clicks.py`). Each hit is judged by itself:
its rhythm is not looked at, because a scratch recurs too. Hits that strings as loud as they are
mask in part are still repaired now and then: some 20 in 100, where it was 60.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.autoregression import error_power, lpc, prediction_errors

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
    turn = error_power(np.diff(errors[high : high + part]), 0, part - 1)
    is_stronger = first > _MORE * before and second > _STILL_MORE * before
    falls = _LEAST_LEFT * first < second < _MOST_LEFT * first
    is_of_the_hit = first > part * (_SHARE * np.abs(errors[low:high]).max()) ** 2
    return is_stronger and falls and is_of_the_hit and turn * scale**2 > _LEAST_TURN * first
