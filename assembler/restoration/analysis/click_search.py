"""Clicks in one channel: places that stick out of the sound on both of their sides.

All of the sound is passed through a short predictor that is learnt anew every few hundredths of a
second; what is left is compared, in blocks of a third of a millisecond, with the peaks of the 40 ms
before and after. The few places that stick out are looked at again with a longer predictor learnt
around them. A click is short, and the sound goes on after it as it was before: where more is left
after the place than before it, a note or a drum begins there.

Source: prediction errors and errors of two-sided interpolation as detection signals, Godsill and
Rayner, Digital Audio Restoration (1998), from memory. Comparison with peaks on both sides and all
figures: set by trial on music, drums and brass with and without clicks, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.autoregression import (
    interpolation_errors,
    levinson,
    lpc,
    prediction_errors,
)

HOP = 1024
"""A short predictor serves so many samples, at rates near 44.1 kHz; learnt from twice as many."""
_TAPS = 12
_BLOCK = 16
_RIDGE = 1e-5
_GUARD_BLOCKS = 6
_GROUP_BLOCKS = 8
_GROUPS = 12
_RATIO = 3.5
_LEAST = 2.0**-15
"""What is smaller than a step of 16 bits is no click."""

GUARD = 80
"""A click lies within so many samples of its peak."""
AROUND = 2048
"""So many samples on either side of the peak are looked at."""
_LEARNT = 1536
_ORDER = 31
_TWO_SIDED, _ONE_SIDED = 10.0, 3.0
"""At strength 5: how far a click stands over the peaks around it, in either kind of error."""
_BEYOND = 220
"""So many samples after a click are compared with as many before it."""
_EDGE, _CALM = 0.7, 8
"""A click ends where its errors fall below this part of the peaks around it for so many samples."""
_AGAIN = 3.0


@dataclass(frozen=True)
class Found:
    """A click within a window: its first sample and the one after its last."""

    first: int
    last: int


def time_scale(rate_hz: int) -> int:
    """Give by what lengths in samples are multiplied at a rate: 1 near 44.1 kHz, 2 near 96 kHz."""
    return 1 << max(0, round(math.log2(rate_hz / 46000)))


@compiled
def _lags(sound, eighths, lags):  # type: ignore[no-untyped-def]
    """Sum products at each lag, an eighth of the sound at a time so that sums run side by side."""
    n = eighths.shape[0]
    a0, a1, a2, a3 = sound[:n], sound[n : 2 * n], sound[2 * n : 3 * n], sound[3 * n : 4 * n]
    a4, a5, a6, a7 = sound[4 * n :], sound[5 * n :], sound[6 * n :], sound[7 * n :]
    for k in range(lags.shape[0]):
        b0, b1, b2, b3 = sound[k:], sound[n + k :], sound[2 * n + k :], sound[3 * n + k :]
        b4, b5, b6, b7 = a4[k:], a5[k:], a6[k:], a7[k:]
        for j in range(n):
            front = (a0[j] * b0[j] + a1[j] * b1[j]) + (a2[j] * b2[j] + a3[j] * b3[j])
            back = (a4[j] * b4[j] + a5[j] * b5[j]) + (a6[j] * b6[j] + a7[j] * b7[j])
            eighths[j] = front + back
        s0, s1, s2, s3 = 0.0, 0.0, 0.0, 0.0
        for j in range(0, n, 4):
            s0 += eighths[j]
            s1 += eighths[j + 1]
            s2 += eighths[j + 2]
            s3 += eighths[j + 3]
        lags[k] = (s0 + s1) + (s2 + s3)


@compiled
def _filter(sound, taps, out):  # type: ignore[no-untyped-def]
    """Add sound[i + k] taps[k] to each out[i], four taps at a time."""
    for k in range(0, taps.shape[0], 4):
        t0, t1, t2, t3 = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
        s0, s1, s2, s3 = sound[k:], sound[k + 1 :], sound[k + 2 :], sound[k + 3 :]
        for i in range(out.shape[0]):
            out[i] += (t0 * s0[i] + t1 * s1[i]) + (t2 * s2[i] + t3 * s3[i])


@compiled
def _only_within(values, first, last):  # type: ignore[no-untyped-def]
    """Set all to 0 that lies before one place, or from another on."""
    n = values.shape[0]
    values[: min(max(first, 0), n)] = 0.0
    values[min(max(last, 0), n) :] = 0.0


@compiled
def _peaks(sound, hann, hop, block, start, end):  # type: ignore[no-untyped-def]
    """Give the peak of the two-sided errors in each block; sound lies from `start` to `end`."""
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
        _lags(windowed, eighths, lags)
        model = levinson(lags, _RIDGE)
        errors[:] = 0.0
        _filter(padded[begin + hop - order :], model[::-1].astype(np.float32), errors)
        _only_within(errors, start + order - begin, end - begin)
        expected[:] = 0.0
        _filter(errors, (model / np.sum(model * model)).astype(np.float32), expected)
        _only_within(expected, start + order - begin, end - order - begin)
        _block_peaks(expected, block, peaks[begin // block :])
    return peaks


@compiled
def _block_peaks(values, block, peaks):  # type: ignore[no-untyped-def]
    """Give the highest absolute value of each block, four at a time."""
    for b in range(values.shape[0] // block):
        part = values[b * block : (b + 1) * block]
        m0, m1, m2, m3 = abs(part[0]), abs(part[1]), abs(part[2]), abs(part[3])
        for i in range(4, block, 4):
            m0 = max(m0, abs(part[i]))
            m1 = max(m1, abs(part[i + 1]))
            m2 = max(m2, abs(part[i + 2]))
            m3 = max(m3, abs(part[i + 3]))
        peaks[b] = max(max(m0, m1), max(m2, m3))


@compiled
def _second_peak(levels, begin, step, groups, size):  # type: ignore[no-untyped-def]
    """Give the second highest peak of groups of levels that follow each other from a place on."""
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
def _sticking_out(peaks, first, last, ratio):  # type: ignore[no-untyped-def]
    """List the blocks that stick out of what is on both sides of them."""
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
def _is_highest(peaks, b):  # type: ignore[no-untyped-def]
    for i in range(max(b - _GUARD_BLOCKS, 0), min(b + _GUARD_BLOCKS + 1, peaks.shape[0])):
        if peaks[i] > peaks[b] or (peaks[i] == peaks[b] and i < b):
            return False
    return True


@compiled
def _middle(peaks, b):  # type: ignore[no-untyped-def]
    """Give the middle of the blocks by a peak that belong to it, in half blocks."""
    first, last = b, b
    for i in range(max(b - _GUARD_BLOCKS, 0), min(b + _GUARD_BLOCKS + 1, peaks.shape[0])):
        if peaks[i] > 0.25 * peaks[b]:
            first, last = min(first, i), max(last, i)
    return first + last + 1


@compiled
def _power(errors, first, last):  # type: ignore[no-untyped-def]
    total = 1e-18
    for i in range(first, last):
        total += errors[i] * errors[i]
    return total


@compiled
def _without_middle(sound, low, high):  # type: ignore[no-untyped-def]
    """Put a straight line in place of a click, so that the predictor is learnt without it."""
    calm = sound.copy()
    for i in range(low, high):
        part = (i - low + 1) / (high - low + 1)
        calm[i] = sound[low - 1] * (1.0 - part) + sound[high] * part
    return calm


@compiled
def _peak_beside(errors, low, high, scale):  # type: ignore[no-untyped-def]
    size = _GROUP_BLOCKS * _BLOCK * scale
    before = _second_peak(errors, low - 1, -1, _GROUPS, size)
    return max(before, _second_peak(errors, high, 1, _GROUPS, size))


@compiled
def _extent(sound, start, end, scale, strictness):  # type: ignore[no-untyped-def]
    """Tell where a click about the middle of sound begins and ends; (0, 0) if there is none.

    The sound lies from `start` to `end`, with zeros outside. So near to its ends that there is
    nothing to compare with, no click is found.
    """
    near, guard, beyond = sound.shape[0] // 2, GUARD * scale, _BEYOND * scale
    low, high = near - guard, near + guard
    if low - beyond - _ORDER < start or high + beyond + _ORDER > end:
        return 0, 0
    calm = _without_middle(sound, low, high)
    taps = lpc(calm[near - _LEARNT * scale : near + _LEARNT * scale], _ORDER)
    errors = prediction_errors(sound, taps)
    _only_within(errors, start + _ORDER, end)
    ahead, both = np.abs(errors), np.abs(interpolation_errors(errors, taps))
    _only_within(both, start + _ORDER, end - _ORDER)

    after, before = _power(errors, high, high + beyond), _power(errors, low - beyond, low)
    change = max(after, before) / min(after, before)
    beside = _peak_beside(ahead, low, high, scale)
    least = strictness * change * _TWO_SIDED * _peak_beside(both, low, high, scale)
    least_ahead = np.sqrt(strictness * change) * _ONE_SIDED * beside
    if both[low:high].max() < max(least, _LEAST) or ahead[low:high].max() < least_ahead:
        return 0, 0
    back = np.abs(prediction_errors(sound[::-1].copy(), taps))[::-1]
    return _edges(ahead, back, low, high, max(_EDGE * beside, _LEAST), _CALM * scale)


@compiled
def _edges(ahead, back, low, high, edge, calm_samples):  # type: ignore[no-untyped-def]
    """Tell where a click begins by errors forward in time, and where it ends by those backward."""
    peak = low + np.argmax(ahead[low:high])
    first = peak - _reach(ahead[low : peak + 1][::-1], edge, calm_samples)
    last_peak = first + np.argmax(back[first : peak + 1])
    return first, last_peak + 1 + _reach(back[last_peak:high], edge, calm_samples)


@compiled
def _reach(errors, edge, calm_samples):  # type: ignore[no-untyped-def]
    """Tell how far errors stand over an edge; after a calm only another click counts."""
    reach = 0
    for i in range(1, errors.shape[0]):
        if errors[i] > (edge if i - reach <= calm_samples else _AGAIN * edge):
            reach = i
    return reach


class Search:
    """Search for clicks in windows of one channel.

    Parameters
    ----------
    rate_hz
        Sample rate.
    strength
        1 to 10: the higher, the smaller the clicks that are found.
    """

    def __init__(self, rate_hz: int, strength: float) -> None:
        self.scale = time_scale(rate_hz)
        self.hop = HOP * self.scale
        self._hann = np.hanning(2 * self.hop + 2)[1:-1].astype(np.float32)
        self._strictness = 1.25 ** (5 - strength)

    def within(self, sound: Samples, first: int, last: int, start: int, end: int) -> list[Found]:
        """Find the clicks whose peak lies from one sample to before another.

        Parameters
        ----------
        sound
            Shape (samples,); zeros where there is no sound.
        first, last
            Where to look: multiples of the hop, with 4 hops on either side of them.
        start, end
            Where sound begins and ends in it.

        Returns
        -------
        list of Found
            In order of time, none over another.
        """
        block = _BLOCK * self.scale
        peaks = _peaks(sound, self._hann, self.hop, block, start, end)
        ratio = _RATIO * self._strictness**0.5
        found: list[Found] = []
        for place in _sticking_out(peaks, first // block, last // block, ratio):
            near = _middle(peaks, place) * block // 2
            click = self._looked_at(sound, near, start, end)
            if click and (not found or click[0] >= found[-1].last):
                found.append(Found(*click))
        return found

    def _looked_at(self, sound: Samples, near: int, start: int, end: int) -> tuple[int, int] | None:
        begin = near - AROUND * self.scale
        part = sound[begin : near + AROUND * self.scale].astype(np.float64)
        inside = (max(start - begin, 0), min(max(end - begin, 0), len(part)))
        first, last = _extent(part, *inside, self.scale, self._strictness)
        return (begin + first, begin + last) if last > first else None
