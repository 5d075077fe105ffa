"""Find clicks in one channel: places that stand out of the sound on both sides.

The errors of a short predictor are compared, in blocks of a third of a millisecond (`error_peaks`),
with the peaks of the 40 ms before and after. The few places that stand out are checked with a
longer predictor fitted around them. A click is short, and the sound after it is as before: if the
residual after the place has more power than before it, a note or a drum begins there.

Source: prediction errors and errors of two-sided interpolation as detection signals, Godsill and
Rayner, Digital Audio Restoration (1998), from memory. Comparison with peaks on both sides, and all
figures: tuned empirically on music, drums and brass with and without clicks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.burst_search import (
    BURST_AROUND,
    SHORTEST_BURST,
    burst_extent,
    outstanding_bursts,
)
from assembler.restoration.analysis.click_extent import (
    LEAST,
    click_extent,
    stands_out,
)
from assembler.restoration.analysis.error_peaks import BLOCK, HOP, time_scale

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


@compiled
def _outstanding(peaks: NDArray[Any], first: int, last: int, ratio: float) -> NDArray[np.int64]:
    """List the blocks whose peaks stand out of those on both sides."""
    found = np.empty(last - first, np.int64)
    count = 0
    for b in range(first, last):
        peak = peaks[b]
        if (
            peak >= LEAST
            and _is_highest(peaks, b)
            and stands_out(peak, peaks, b - _GUARD_BLOCKS - 1, -1, _GROUP_BLOCKS, ratio)
            and stands_out(peak, peaks, b + _GUARD_BLOCKS + 1, 1, _GROUP_BLOCKS, ratio)
        ):
            found[count] = b
            count += 1
    return found[:count]


@compiled
def _is_highest(peaks: NDArray[Any], b: int) -> bool:
    """Return whether none near by is higher, and none before it as high; the nearest come first."""
    peak = peaks[b]
    for i in range(1, _GUARD_BLOCKS + 1):
        if b + i < peaks.shape[0] and peaks[b + i] > peak:
            return False
        if b >= i and peaks[b - i] >= peak:
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
        self._strictness = 1.25 ** (5 - strength)

    def clicks_between(
        self,
        sound: Samples,
        peaks: NDArray[np.float32],
        first: int,
        last: int,
        start: int,
        end: int,
    ) -> list[FoundClick]:
        """Find the clicks whose peak is from one sample to before another, in order of time.

        Parameters
        ----------
        sound, start, end
            Shape (samples,), and where the stream starts and ends in it: zeros outside.
        peaks
            Its error peaks from its first sample on (`error_peaks`), shape (blocks,).
        first, last
            Range of the search: multiples of the hop, with 4 hops on either side.
        """
        block = BLOCK * self.scale
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
