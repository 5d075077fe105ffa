"""Find bursts: clicks of 2 to 5 ms, by their power instead of their peak.

A burst is so long that it hides its own edges: it is in the short predictor's model, and in the
peaks that a click is compared with. So the power over 3 ms is compared with that in the 40 ms
before and after, from 6 ms off its middle, and the longer predictor is fitted with a straight line
across all of that.

Source: as for clicks, see `click_search`. All figures: tuned empirically on music, drums and
struck wood made by code and on real music, with and without bursts of 3 and 5 ms.
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
from assembler.restoration.analysis.click_extent import (
    GROUPS,
    LEAST,
    bridged_sound,
    edges,
    peak_around,
    stands_out,
)
from assembler.restoration.analysis.percussion import rings_on

_BLOCKS = 8
"""Blocks over which the power is measured."""
_APART = 12
"""Blocks from the middle of a burst to the sound that it is compared with."""
_RATIO = 6.0
BURST_GUARD = 240
"""Most samples of a burst on either side of its middle, at rates near 44.1 kHz."""
BURST_AROUND = 3072
"""Samples on either side of its middle that are checked."""
_ORDER = 31
_PART = 128
_TWO_SIDED, _ONE_SIDED = 400.0, 20.0
"""At strength 5: least power of a burst re that around it, in either kind of error."""
_AFTER = 440
"""Samples after a burst whose power is compared with that of as many before it."""
_CALM = 24
_LONGEST = 240
"""Most samples of a burst: 5.4 ms. Electronic ticks last longer."""
SHORTEST_BURST = 96
"""Samples: a shorter one is a click, if it is found as a click."""


@compiled
def outstanding_bursts(
    peaks: NDArray[Any], first: int, last: int, strictness: float
) -> NDArray[np.int64]:
    """List the blocks around which the power stands out of that on both sides."""
    powers = _moving_powers(peaks)
    ratio, out = _RATIO * strictness, _APART + _BLOCKS // 2
    found = np.empty(last - first, np.int64)
    count = 0
    for b in range(first, last):
        power = powers[b]
        if (
            power >= LEAST**2
            and _is_highest(powers, b)
            and stands_out(power, powers, b - out, -1, _BLOCKS, ratio)
            and stands_out(power, powers, b + out, 1, _BLOCKS, ratio)
            and (count == 0 or b - found[count - 1] > _APART)
        ):
            found[count] = b
            count += 1
    return found[:count]


@compiled
def _moving_powers(peaks: NDArray[Any]) -> NDArray[np.float64]:
    """Return the mean square of the peaks in the blocks around each."""
    around = _BLOCKS // 2
    shares = np.zeros(peaks.shape[0] + 2 * around)
    for b in range(peaks.shape[0]):
        shares[around + b] = peaks[b] * peaks[b] / _BLOCKS
    powers = np.zeros(peaks.shape[0])
    for i in range(_BLOCKS):
        part = shares[i:]
        for b in range(powers.shape[0]):
            powers[b] += part[b]
    return powers


@compiled
def _is_highest(powers: NDArray[Any], b: int) -> bool:
    """Return whether none near by is higher; the nearest come first."""
    power = powers[b]
    for i in range(1, _APART + 1):
        if b + i < powers.shape[0] and powers[b + i] > power:
            return False
        if b >= i and powers[b - i] > power:
            return False
    return True


@compiled
def burst_extent(
    sound: NDArray[Any], start: int, end: int, scale: int, strictness: float
) -> tuple[int, int, bool]:
    """Return the start and the end of a burst in the middle of the sound, and whether it rings.

    As `click_extent`, for bursts.
    """
    guard, size, compared = BURST_GUARD * scale, _PART * scale, _AFTER * scale
    low, high = sound.shape[0] // 2 - guard, sound.shape[0] // 2 + guard
    if low - GROUPS * size - _ORDER < start or high + GROUPS * size + _ORDER > end:
        return 0, 0, False
    taps = lpc(bridged_sound(sound, low, high), _ORDER)
    reach = GROUPS * size + 2 * _ORDER
    offset, near = low - reach, sound[low - reach : high + reach]
    low, high = reach, reach + 2 * guard
    errors = prediction_errors(near, taps)
    before, after = (
        error_power(errors, low - compared, low),
        error_power(errors, high, high + compared),
    )
    least = strictness * max(after, before) / min(after, before)
    if _stands_out(errors, low, high, size) < least * _ONE_SIDED:
        return 0, 0, False
    both = interpolation_errors(errors, taps)
    if _stands_out(both, low, high, size) < least * strictness * _TWO_SIDED:
        return 0, 0, False
    ahead = np.abs(errors)
    back = np.abs(prediction_errors(near[::-1].copy(), taps))[::-1]
    edge = max(peak_around(ahead, low, high, scale), LEAST)
    first, last = edges(ahead, back, low, high, edge, _CALM * scale)
    if last - first > _LONGEST * scale:
        return 0, 0, False
    is_hit = rings_on(sound, offset + low, offset + high, start, end, scale)
    return offset + first, offset + last, is_hit


@compiled
def _stands_out(errors: NDArray[Any], low: int, high: int, size: int) -> float:
    """Return the highest power within a burst, re the highest of the parts on either side."""
    within, around = 0.0, 0.0
    for first in range(low, high - size + 1, size // 8):
        within = max(within, error_power(errors, first, first + size))
    for part in range(GROUPS):
        begin, finish = low - (part + 1) * size, high + part * size
        around = max(around, error_power(errors, begin, begin + size))
        around = max(around, error_power(errors, finish, finish + size))
    return within / around
