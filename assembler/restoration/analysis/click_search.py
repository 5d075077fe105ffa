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
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.autoregression import levinson
from assembler.restoration.analysis.burst_search import (
    BURST_AROUND,
    SHORTEST_BURST,
    burst_extent,
    outstanding_bursts,
)
from assembler.restoration.analysis.click_extent import (
    GROUPS,
    LEAST,
    clear_outside,
    click_extent,
    second_peak,
)

HOP = 1024
"""Samples per short predictor at rates near 44.1 kHz; it is fitted to twice as many."""
_TAPS = 12
_BLOCK = 16
_RIDGE = 1e-5
_GUARD_BLOCKS = 6
_GROUP_BLOCKS = 8
_RATIO = 3.5
AROUND = 2048
"""Samples on either side of the peak that are checked."""

_Extent = Callable[[Any, int, int, int, float], tuple[int, int, bool]]


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
def _peaks(
    sound: NDArray[Any], hann: NDArray[Any], hop: int, block: int, start: int, end: int
) -> NDArray[np.float32]:
    """Return the peak of the two-sided errors in each block; zeros outside `start` to `end`."""
    order = _TAPS - 1
    half = hop // 2
    padded = np.zeros(sound.shape[0] + 2 * hop, np.float32)
    for i in range(sound.shape[0]):
        padded[hop + i] = sound[i]
    windowed = np.zeros(2 * hop + _TAPS, np.float32)
    eighths = np.zeros(hop // 4, np.float32)
    lags = np.zeros(_TAPS)
    errors = np.zeros(hop + order, np.float32)
    expected = np.zeros(hop, np.float32)
    peaks = np.zeros(sound.shape[0] // block, np.float32)
    ahead, both = np.zeros(_TAPS, np.float32), np.zeros(_TAPS, np.float32)
    for frame in range(sound.shape[0] // hop):
        begin = frame * hop
        piece = padded[begin + hop - half : begin + 2 * hop + half]
        for i in range(2 * hop):
            windowed[i] = piece[i] * hann[i]
        _autocorrelate(windowed, eighths, lags)
        model = levinson(lags, _RIDGE)
        power = 0.0
        for k in range(_TAPS):
            power += model[k] * model[k]
        for k in range(_TAPS):
            ahead[order - k], both[k] = model[k], model[k] / power
        errors[:] = 0.0
        _filter(padded[begin + hop - order :], ahead, errors)
        clear_outside(errors, start + order - begin, end - begin)
        expected[:] = 0.0
        _filter(errors, both, expected)
        clear_outside(expected, start + order - begin, end - order - begin)
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
def _outstanding(peaks: NDArray[Any], first: int, last: int, ratio: float) -> NDArray[np.int64]:
    """List the blocks whose peaks stand out of those on both sides."""
    found = np.empty(last - first, np.int64)
    count = 0
    for b in range(first, last):
        peak = peaks[b]
        if peak < LEAST or not _is_highest(peaks, b):
            continue
        before = second_peak(peaks, b - _GUARD_BLOCKS - 1, -1, GROUPS, _GROUP_BLOCKS)
        if peak > ratio * before:
            after = second_peak(peaks, b + _GUARD_BLOCKS + 1, 1, GROUPS, _GROUP_BLOCKS)
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
            click = self._checked(click_extent, AROUND, sound, near, start, end)
            if click and (not found or click.first >= found[-1].last):
                found.append(click)
        for place in outstanding_bursts(peaks, first // block, last // block, self._strictness):
            burst = self._checked(burst_extent, BURST_AROUND, sound, place * block, start, end)
            if burst:
                found = _with_burst(found, burst, SHORTEST_BURST * self.scale)
        return found

    def _checked(
        self, extent: _Extent, around: int, sound: Samples, near: int, start: int, end: int
    ) -> FoundClick | None:
        """Return the click near a place, if there is one."""
        begin = near - around * self.scale
        part = sound[begin : near + around * self.scale].astype(np.float64)
        inside = (max(start - begin, 0), min(max(end - begin, 0), len(part)))
        first, last, rings = extent(part, *inside, self.scale, self._strictness)
        return FoundClick(begin + first, begin + last, rings) if last > first else None


def _with_burst(found: list[FoundClick], burst: FoundClick, shortest: int) -> list[FoundClick]:
    """Return the clicks with a burst in place of those that are parts of it.

    What rings after it, or rings itself, is a hit, not a burst.
    """
    parts = [one for one in found if one.first < burst.last and one.last > burst.first]
    is_short = burst.last - burst.first < shortest
    if any(one.rings for one in parts) or (parts and (burst.rings or is_short)):
        return found
    first = min([burst.first, *(one.first for one in parts)])
    last = max([burst.last, *(one.last for one in parts)])
    others = [one for one in found if one not in parts]
    return sorted([*others, FoundClick(first, last, burst.rings)], key=lambda one: one.first)
