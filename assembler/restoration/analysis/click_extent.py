"""Check a place of one channel for a click, and find where it starts and ends.

A predictor is fitted around the place, with a straight line across it. A click stands out of its
errors on both sides, see `click_search`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.autoregression import (
    error_power,
    interpolation_errors,
    lpc,
    prediction_errors,
)
from assembler.restoration.analysis.percussion import rings_on

LEAST = 2.0**-15
"""Smallest click: one quantisation step of 16 bits."""
GROUPS = 12
"""Groups of errors on either side with which a place is compared; the highest is left out."""
_GROUP_SAMPLES = 128
GUARD = 80
"""Most samples of a click on either side of its peak."""
_MODEL_SAMPLES = 1536
_ORDER = 31
_TWO_SIDED, _ONE_SIDED = 10.0, 3.0
"""At strength 5: least ratio of a click to the peaks around it, in either kind of error."""
_AFTER = 220
"""Samples after a click whose power is compared with that of as many before it."""
_EDGE, _CALM = 0.7, 8
"""A click ends where its errors stay below this share of the peaks around it, for so long."""
_AGAIN = 3.0


@compiled
def clear_outside(values: NDArray[Any], first: int, last: int) -> None:
    """Set the values before `first` and from `last` on to 0."""
    n = values.shape[0]
    values[: min(max(first, 0), n)] = 0.0
    values[min(max(last, 0), n) :] = 0.0


@compiled
def second_peak(levels: NDArray[Any], begin: int, step: int, size: int) -> float:
    """Return the second highest peak of the groups of levels that follow a place."""
    highest, second = 0.0, 0.0
    for group in range(GROUPS):
        peak = 0.0
        for i in range(group * size, (group + 1) * size):
            place = begin + step * i
            if 0 <= place < levels.shape[0] and levels[place] > peak:
                peak = levels[place]
        if peak > highest:
            highest, second = peak, highest
        elif peak > second:
            second = peak
    return second


@compiled
def stands_out(
    level: float, levels: NDArray[Any], begin: int, step: int, size: int, ratio: float
) -> bool:
    """Return whether a level is above the second highest peak of the groups, times a ratio."""
    reached = 0
    for group in range(GROUPS):
        for i in range(group * size, (group + 1) * size):
            place = begin + step * i
            if 0 <= place < levels.shape[0] and level <= ratio * levels[place]:
                reached += 1
                break
        if reached == 2:
            return False
    return True


@compiled
def bridged_sound(sound: NDArray[Any], low: int, high: int) -> NDArray[Any]:
    """Return the sound with a straight line across a click, to fit the predictor without it."""
    bridged = sound.copy()
    for i in range(low, high):
        part = (i - low + 1) / (high - low + 1)
        bridged[i] = sound[low - 1] * (1.0 - part) + sound[high] * part
    return bridged


@compiled
def peak_around(errors: NDArray[Any], low: int, high: int, scale: int) -> float:
    """Return the higher of the second highest peaks before and after a click."""
    size = _GROUP_SAMPLES * scale
    before = second_peak(errors, low - 1, -1, size)
    return max(before, second_peak(errors, high, 1, size))


@compiled
def click_extent(
    sound: NDArray[Any], start: int, end: int, scale: int, strictness: float
) -> tuple[int, int, bool]:
    """Return the start and the end of a click in the middle of the sound, and whether it rings.

    Start and end are 0 if there is none. The sound is between `start` and `end`, with zeros
    outside. No click is found so near to its ends that there is nothing to compare it with.
    """
    near, guard, compared = sound.shape[0] // 2, GUARD * scale, _AFTER * scale
    low, high = near - guard, near + guard
    if low - compared - _ORDER < start or high + compared + _ORDER > end:
        return 0, 0, False
    bridged = bridged_sound(sound, low, high)
    taps = lpc(bridged[near - _MODEL_SAMPLES * scale : near + _MODEL_SAMPLES * scale], _ORDER)
    errors = prediction_errors(sound, taps)
    clear_outside(errors, start + _ORDER, end)
    ahead, both = np.abs(errors), np.abs(interpolation_errors(errors, taps))
    clear_outside(both, start + _ORDER, end - _ORDER)

    after, before = (
        error_power(errors, high, high + compared),
        error_power(errors, low - compared, low),
    )
    change = max(after, before) / min(after, before)
    around = peak_around(ahead, low, high, scale)
    least = strictness * change * _TWO_SIDED * peak_around(both, low, high, scale)
    least_ahead = np.sqrt(strictness * change) * _ONE_SIDED * around
    if both[low:high].max() < max(least, LEAST) or ahead[low:high].max() < least_ahead:
        return 0, 0, False
    back = np.abs(prediction_errors(sound[::-1].copy(), taps))[::-1]
    edge = max(_EDGE * around, LEAST)
    first, last = edges(ahead, back, low, high, edge, _CALM * scale)
    return first, last, rings_on(sound, low, high, start, end, scale)


@compiled
def edges(
    ahead: NDArray[Any], back: NDArray[Any], low: int, high: int, edge: float, calm_samples: int
) -> tuple[int, int]:
    """Return the start of a click by forward prediction errors, and its end by backward ones."""
    peak = low + int(np.argmax(ahead[low:high]))
    first = peak - _reach(ahead[low : peak + 1][::-1], edge, calm_samples)
    last_peak = first + int(np.argmax(back[first : peak + 1]))
    return first, last_peak + 1 + _reach(back[last_peak:high], edge, calm_samples)


@compiled
def _reach(errors: NDArray[Any], edge: float, calm_samples: int) -> int:
    """Return how far errors exceed a limit; after a calm only those of another click count."""
    reach = 0
    for i in range(1, errors.shape[0]):
        if errors[i] > (edge if i - reach <= calm_samples else _AGAIN * edge):
            reach = i
    return reach
