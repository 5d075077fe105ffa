"""Find clicks in one channel: places that stand out of the sound on both sides.

All of the sound is filtered by a short linear predictor, fitted every few hundredths of a second.
Its residual is compared, in blocks of a third of a millisecond, with the peaks of the 40 ms before
and after. The few places that stand out are checked with a longer predictor fitted around them. A
click is short, and the sound after it is as before: if the residual after the place has more power
than before it, a note or a drum begins there.

Source: prediction errors and errors of two-sided interpolation as detection signals, Godsill and
Rayner, Digital Audio Restoration (1998), from memory. Comparison with peaks on both sides, and all
figures: tuned empirically on music, drums and brass with and without clicks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.autoregression import (
    error_power,
    interpolation_errors,
    levinson,
    lpc,
    prediction_errors,
)
from assembler.restoration.analysis.percussion import rings_on

HOP = 1024
"""Samples per short predictor at rates near 44.1 kHz; it is fitted to twice as many."""
_TAPS = 12
_BLOCK = 16
_RIDGE = 1e-5
_GUARD_BLOCKS = 6
_GROUP_BLOCKS = 8
_GROUPS = 12
_RATIO = 3.5
_LEAST = 2.0**-15
"""Smallest click: one quantisation step of 16 bits."""

GUARD = 80
"""Most samples of a click on either side of its peak."""
AROUND = 2048
"""Samples on either side of the peak that are checked."""
_MODEL_SAMPLES = 1536
_ORDER = 31
_TWO_SIDED, _ONE_SIDED = 10.0, 3.0
"""At strength 5: least ratio of a click to the peaks around it, in either kind of error."""
_AFTER = 220
"""Samples after a click whose power is compared with that of as many before it."""
_EDGE, _CALM = 0.7, 8
"""A click ends where its errors stay below this share of the peaks around it, for so long."""
_AGAIN = 3.0


@dataclass(frozen=True)
class FoundClick:
    """A click within a window, or a hit that only looks like one."""

    first: int
    last: int
    """Its first sample and the one after its last."""
    rings: bool = False
    """Whether the sound after it rings and dies away, as after a hit."""


def time_scale(rate_hz: int) -> int:
    """Return the factor for lengths in samples at a rate: 1 near 44.1 kHz, 2 near 96 kHz."""
    return 1 << max(0, round(math.log2(rate_hz / 46000)))


@compiled
def _autocorrelate(sound: NDArray[Any], eighths: NDArray[Any], lags: NDArray[Any]) -> None:
    """Fill the sum of products at each lag, eight parts of the sound at a time."""
    n = eighths.shape[0]
    parts = sound[: 8 * n].reshape(8, n)
    lanes = np.zeros(4)
    for k in range(lags.shape[0]):
        late = sound[k : 8 * n + k].reshape(8, n)
        for j in range(n):
            front = parts[0, j] * late[0, j] + parts[1, j] * late[1, j]
            front += parts[2, j] * late[2, j] + parts[3, j] * late[3, j]
            back = parts[4, j] * late[4, j] + parts[5, j] * late[5, j]
            back += parts[6, j] * late[6, j] + parts[7, j] * late[7, j]
            eighths[j] = front + back
        lanes[:] = 0.0
        for j in range(0, n, 4):
            for lane in range(4):
                lanes[lane] += eighths[j + lane]
        lags[k] = (lanes[0] + lanes[1]) + (lanes[2] + lanes[3])


@compiled
def _filter(sound: NDArray[Any], taps: NDArray[Any], out: NDArray[Any]) -> None:
    """Add sound[i + k] taps[k] to each out[i], four taps at a time."""
    for k in range(0, taps.shape[0], 4):
        t0, t1, t2, t3 = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
        s0, s1, s2, s3 = sound[k:], sound[k + 1 :], sound[k + 2 :], sound[k + 3 :]
        for i in range(out.shape[0]):
            out[i] += (t0 * s0[i] + t1 * s1[i]) + (t2 * s2[i] + t3 * s3[i])


@compiled
def _clear_outside(values: NDArray[Any], first: int, last: int) -> None:
    """Set the values before `first` and from `last` on to 0."""
    n = values.shape[0]
    values[: min(max(first, 0), n)] = 0.0
    values[min(max(last, 0), n) :] = 0.0


@compiled
def _peaks(
    sound: NDArray[Any], hann: NDArray[Any], hop: int, block: int, start: int, end: int
) -> NDArray[np.float32]:
    """Return the peak of the two-sided errors in each block; zeros outside `start` to `end`."""
    order = _TAPS - 1
    half = hop // 2
    padded = np.zeros(sound.shape[0] + 2 * hop, np.float32)
    padded[hop : hop + sound.shape[0]] = sound
    windowed = np.zeros(2 * hop + _TAPS, np.float32)
    eighths = np.zeros(hop // 4, np.float32)
    lags = np.zeros(_TAPS)
    errors = np.zeros(hop + order, np.float32)
    expected = np.zeros(hop, np.float32)
    peaks = np.zeros(sound.shape[0] // block, np.float32)
    for frame in range(sound.shape[0] // hop):
        begin = frame * hop
        piece = padded[begin + hop - half : begin + 2 * hop + half]
        for i in range(2 * hop):
            windowed[i] = piece[i] * hann[i]
        _autocorrelate(windowed, eighths, lags)
        model = levinson(lags, _RIDGE)
        errors[:] = 0.0
        _filter(padded[begin + hop - order :], model[::-1].astype(np.float32), errors)
        _clear_outside(errors, start + order - begin, end - begin)
        expected[:] = 0.0
        _filter(errors, (model / np.sum(model * model)).astype(np.float32), expected)
        _clear_outside(expected, start + order - begin, end - order - begin)
        _fill_block_peaks(expected, block, peaks[begin // block :])
    return peaks


@compiled
def _fill_block_peaks(values: NDArray[Any], block: int, peaks: NDArray[Any]) -> None:
    """Fill the highest absolute value of each block."""
    for b in range(values.shape[0] // block):
        peak = np.float32(0.0)
        for i in range(b * block, (b + 1) * block):
            peak = max(peak, abs(values[i]))
        peaks[b] = peak


@compiled
def _second_peak(levels: NDArray[Any], begin: int, step: int, groups: int, size: int) -> float:
    """Return the second highest peak of the groups of levels that follow a place."""
    highest, second = 0.0, 0.0
    for group in range(groups):
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
def _outstanding(peaks: NDArray[Any], first: int, last: int, ratio: float) -> NDArray[np.int64]:
    """List the blocks whose peaks stand out of those on both sides."""
    found = np.empty(last - first, np.int64)
    count = 0
    for b in range(first, last):
        peak = peaks[b]
        if peak < _LEAST or not _is_highest(peaks, b):
            continue
        before = _second_peak(peaks, b - _GUARD_BLOCKS - 1, -1, _GROUPS, _GROUP_BLOCKS)
        if peak > ratio * before:
            after = _second_peak(peaks, b + _GUARD_BLOCKS + 1, 1, _GROUPS, _GROUP_BLOCKS)
            if peak > ratio * after:
                found[count] = b
                count += 1
    return found[:count]


@compiled
def _is_highest(peaks: NDArray[Any], b: int) -> bool:
    for i in range(max(b - _GUARD_BLOCKS, 0), min(b + _GUARD_BLOCKS + 1, peaks.shape[0])):
        if peaks[i] > peaks[b] or (peaks[i] == peaks[b] and i < b):
            return False
    return True


@compiled
def _middle(peaks: NDArray[Any], b: int) -> int:
    """Return the middle of the blocks that belong to a peak, in half blocks."""
    first, last = b, b
    for i in range(max(b - _GUARD_BLOCKS, 0), min(b + _GUARD_BLOCKS + 1, peaks.shape[0])):
        if peaks[i] > 0.25 * peaks[b]:
            first, last = min(first, i), max(last, i)
    return first + last + 1


@compiled
def _bridged(sound: NDArray[Any], low: int, high: int) -> NDArray[Any]:
    """Return the sound with a straight line across a click, to fit the predictor without it."""
    bridged = sound.copy()
    for i in range(low, high):
        part = (i - low + 1) / (high - low + 1)
        bridged[i] = sound[low - 1] * (1.0 - part) + sound[high] * part
    return bridged


@compiled
def _peak_around(errors: NDArray[Any], low: int, high: int, scale: int) -> float:
    """Return the higher of the second highest peaks before and after a click."""
    size = _GROUP_BLOCKS * _BLOCK * scale
    before = _second_peak(errors, low - 1, -1, _GROUPS, size)
    return max(before, _second_peak(errors, high, 1, _GROUPS, size))


@compiled
def _extent(
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
    bridged = _bridged(sound, low, high)
    taps = lpc(bridged[near - _MODEL_SAMPLES * scale : near + _MODEL_SAMPLES * scale], _ORDER)
    errors = prediction_errors(sound, taps)
    _clear_outside(errors, start + _ORDER, end)
    ahead, both = np.abs(errors), np.abs(interpolation_errors(errors, taps))
    _clear_outside(both, start + _ORDER, end - _ORDER)

    after, before = (
        error_power(errors, high, high + compared),
        error_power(errors, low - compared, low),
    )
    change = max(after, before) / min(after, before)
    around = _peak_around(ahead, low, high, scale)
    least = strictness * change * _TWO_SIDED * _peak_around(both, low, high, scale)
    least_ahead = np.sqrt(strictness * change) * _ONE_SIDED * around
    if both[low:high].max() < max(least, _LEAST) or ahead[low:high].max() < least_ahead:
        return 0, 0, False
    back = np.abs(prediction_errors(sound[::-1].copy(), taps))[::-1]
    edge = max(_EDGE * around, _LEAST)
    first, last = _edges(ahead, back, low, high, edge, _CALM * scale)
    return first, last, rings_on(sound, low, high, start, end, scale)


@compiled
def _edges(
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


class ClickSearch:
    """Search for clicks in windows of one channel.

    Parameters
    ----------
    rate_hz, strength
        Sample rate, and 1 to 10: the higher, the smaller the clicks that are found.
    """

    def __init__(self, rate_hz: int, strength: float) -> None:
        self.scale = time_scale(rate_hz)
        self.hop = HOP * self.scale
        self._hann = np.hanning(2 * self.hop + 2)[1:-1].astype(np.float32)
        self._strictness = 1.25 ** (5 - strength)

    def clicks_between(
        self, sound: Samples, first: int, last: int, start: int, end: int
    ) -> list[FoundClick]:
        """Find the clicks whose peak is from one sample to before another, in order of time.

        Parameters
        ----------
        sound, start, end
            Shape (samples,), and where the stream starts and ends in it: zeros outside.
        first, last
            Range of the search: multiples of the hop, with 4 hops on either side.
        """
        block = _BLOCK * self.scale
        peaks = _peaks(sound, self._hann, self.hop, block, start, end)
        ratio = _RATIO * self._strictness**0.5
        found: list[FoundClick] = []
        for place in _outstanding(peaks, first // block, last // block, ratio):
            near = _middle(peaks, place) * block // 2
            click = self._click_near(sound, near, start, end)
            if click and (not found or click.first >= found[-1].last):
                found.append(click)
        return found

    def _click_near(self, sound: Samples, near: int, start: int, end: int) -> FoundClick | None:
        begin = near - AROUND * self.scale
        part = sound[begin : near + AROUND * self.scale].astype(np.float64)
        inside = (max(start - begin, 0), min(max(end - begin, 0), len(part)))
        first, last, rings = _extent(part, *inside, self.scale, self._strictness)
        return FoundClick(begin + first, begin + last, rings) if last > first else None
