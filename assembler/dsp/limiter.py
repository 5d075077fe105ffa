"""A look-ahead true-peak limiter, linked as far as asked, whose gain has no steps.

The gain reduction that each sample needs is held over the look-ahead, released towards the mean of
the last second, and smoothed by three moving averages that together span the look-ahead. Each
smoothed value is a mean of values that are all sufficient, so the ceiling holds; where nothing
exceeds the ceiling the sound passes bit for bit.

Linked channels share the largest demand. Below 100 % each has a share of its own demand in place of
the largest, which is never less than it needs: the ceiling holds at any link.

True peak: ITU-R BS.1770-5. Look-ahead and release tuned empirically on tests/bench.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import amplitude
from assembler.dsp.true_peak import AFTER, BEFORE, interval_peaks

LOOK_AHEAD_S = 0.006
"""A 60 Hz tone 6 dB over is distorted at -98 dB; 4.5 ms reach -75, 3 ms -58 (tests/bench)."""
FAST_RELEASE_S = 0.06
"""Release time constant after a single peak."""
SLOW_RISE_S = 0.4
SLOW_FALL_S = 0.9
"""Time constants of the mean gain reduction that dense passages keep."""

GainReduction = NDArray[np.float64]
"""In dB (≥ 0), shape (frames,), or (frames, channels) where the channels are not wholly linked."""
Sound = TypeVar("Sound", NDArray[np.float32], NDArray[np.float64])
_STEPS_PER_DB = float(1 << 20)
_NEPERS_PER_DB = math.log(10) / 20
_IDLE_DB = 1e-3


@compiled
def _hold(demand: GainReduction, length: int, held: GainReduction) -> None:
    """Fill `held` with the maximum of each `length` consecutive demands.

    It is the larger of two running maxima, from both ends of tiles of that length (van Herk, 1992;
    Gil and Werman, 1993).
    """
    to_end = np.empty(length)
    for start in range(0, held.shape[0], length):
        highest = 0.0
        for k in range(length - 1, -1, -1):
            highest = max(highest, demand[start + k])
            to_end[k] = highest
        highest = 0.0
        for k in range(min(length, held.shape[0] - start)):
            held[start + k] = max(to_end[k], highest)
            if start + k + length < demand.shape[0]:
                highest = max(highest, demand[start + k + length])


@compiled
def _moving_sum(values: NDArray[np.int64], length: int, sums: NDArray[np.int64]) -> None:
    """Fill `sums` with the sum of each `length` consecutive values, after the first."""
    total = values[:length].sum()
    for i in range(sums.shape[0]):
        total += values[i + length] - values[i]
        sums[i] = total


@compiled
def _release(
    held: GainReduction,
    fast: float,
    slow_rise: float,
    slow_fall: float,
    levels: NDArray[np.float64],
    released: GainReduction,
) -> None:
    """Let the held gain reduction fall towards its slow mean; levels: both values so far.

    fast, slow_rise, slow_fall: coefficients per sample.
    """
    level, mean = levels[0], levels[1]
    for i in range(held.shape[0]):
        target = held[i]
        mean += (target - mean) * (slow_rise if target > mean else slow_fall)
        level = max(target, mean + (level - mean) * fast)
        if target == 0.0 and level < _IDLE_DB:
            level = 0.0
            mean = 0.0
        released[i] = level
    levels[0], levels[1] = level, mean


@compiled
def _apply_gain_reduction(block: Sound, gain_reduction: GainReduction, limited: Sound) -> None:
    """Lower each sample by its gain reduction in dB; at 0 dB it is unchanged.

    The gain is e^x = (e^(x/64))^64 with eight terms of the series: accurate to 1e-11 down to
    -120 dB, and the same on every machine, which a library's exp is not.
    """
    for i in range(block.shape[0]):
        t = gain_reduction[i] * (-_NEPERS_PER_DB / 64)
        gain = 1.0 + t / 8
        gain = 1.0 + t / 7 * gain
        gain = 1.0 + t / 6 * gain
        gain = 1.0 + t / 5 * gain
        gain = 1.0 + t / 4 * gain
        gain = 1.0 + t / 3 * gain
        gain = 1.0 + t / 2 * gain
        gain = 1.0 + t * gain
        for _ in range(6):
            gain *= gain
        for c in range(block.shape[1]):
            limited[i, c] = block[i, c] * gain


class _GainSmoother:
    """Smooth gain reduction from the demand of each sample, in time with the samples."""

    def __init__(self, rate_hz: int) -> None:
        self._window = max(3, round(LOOK_AHEAD_S * rate_hz))
        self._fast = math.exp(-1 / (FAST_RELEASE_S * rate_hz))
        self._slow_rise = 1 - math.exp(-1 / (SLOW_RISE_S * rate_hz))
        self._slow_fall = 1 - math.exp(-1 / (SLOW_FALL_S * rate_hz))
        self._levels = np.zeros(2)
        self._demand = np.zeros(self._window)  # the last ones
        self._averages = [_MovingSum(self._window // 3 + 1) for _ in range(3)]
        self._delay = self._window

    def feed(self, demand: GainReduction) -> GainReduction:
        """Return the gain reduction of the samples whose look-ahead is complete."""
        smooth = np.zeros(len(demand)) if self._is_idle(demand) else self._smooth(demand)
        dropped = min(self._delay, len(smooth))
        self._delay -= dropped
        return smooth[dropped:]

    def _is_idle(self, demand: GainReduction) -> bool:
        """Return whether neither these samples nor those before them need any gain reduction."""
        active = demand.any() or self._demand.any() or self._levels.any()
        return not (active or any(average.is_active for average in self._averages))

    def _smooth(self, demand: GainReduction) -> GainReduction:
        padded = np.concatenate((self._demand, demand))
        self._demand = padded[len(demand) :]
        held = np.empty(len(demand))
        _hold(padded, self._window + 1, held)
        released = np.empty(len(demand))
        _release(held, self._fast, self._slow_rise, self._slow_fall, self._levels, released)
        steps = np.ceil(released * _STEPS_PER_DB).astype(np.int64)
        scale = _STEPS_PER_DB
        for average in self._averages:
            steps = average.feed(steps)
            scale *= average.length
        return steps.astype(np.float64) * (1.0 / scale)

    def finish(self) -> GainReduction:
        """Return the gain reduction of the last samples."""
        return self.feed(np.zeros(self._window))


class _MovingSum:
    """Sum of the last `length` values of a stream, in whole steps, so without rounding errors."""

    def __init__(self, length: int) -> None:
        self.length = length
        self._last = np.zeros(length, np.int64)

    @property
    def is_active(self) -> bool:
        """Whether any of the last values is not zero."""
        return bool(self._last.any())

    def feed(self, values: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the sum that ends at each value."""
        padded = np.concatenate((self._last, values))
        self._last = padded[len(values) :]
        sums = np.empty_like(values)
        _moving_sum(padded, self.length, sums)
        return sums


class LimiterSettings(NamedTuple):
    """How a limiter is set.

    Attributes
    ----------
    ceiling_dbtp
        Highest true peak.
    link
        Share of the gain reduction that the channels have in common, 0 to 1.
    """

    ceiling_dbtp: float
    link: float = 1.0


def limit(
    blocks: Iterable[Samples], rate_hz: int, ceiling_dbtp: float, link: float = 1.0
) -> Iterator[tuple[Samples, GainReduction]]:
    """Limit the true peak of a stream to a ceiling.

    Parameters
    ----------
    blocks
        Stereo or mono blocks, shape (frames, channels).
    rate_hz
        Sample rate.
    ceiling_dbtp
        Highest true peak of the output.
    link
        Share of the gain reduction that the channels have in common, 0 to 1.

    Yields
    ------
    samples, gain_reduction
        As many samples as in the input, without delay, and the gain reduction of each in dB (≥ 0):
        of each channel where they are not wholly linked.
    """
    ceiling = amplitude(ceiling_dbtp)
    smoothers: list[_GainSmoother] = []
    neighbours: Neighbours | None = None
    waiting: list[Samples] = []
    for block in blocks:
        if neighbours is None:
            neighbours = Neighbours(BEFORE, AFTER, block.shape[1])
            smoothers = [_GainSmoother(rate_hz) for _ in range(1 if link == 1 else block.shape[1])]
        waiting.append(block)
        demands = _linked_demands_db(neighbours.feed(block), rate_hz, ceiling, link)
        yield from _limited(waiting, _together(map(_GainSmoother.feed, smoothers, demands)))
    if neighbours is None:
        return
    demands = _linked_demands_db(neighbours.finish(), rate_hz, ceiling, link)
    yield from _limited(waiting, _together(map(_GainSmoother.feed, smoothers, demands)))
    yield from _limited(waiting, _together(map(_GainSmoother.finish, smoothers)))


def _linked_demands_db(
    padded: Samples, rate_hz: int, ceiling: float, link: float
) -> Sequence[GainReduction]:
    """Return the demand of all channels, or of each where they are not wholly linked."""
    if link == 1:
        return [_demand_db(padded, rate_hz, ceiling)]
    channels = padded.shape[1]
    own = [_demand_db(padded[:, c : c + 1], rate_hz, ceiling) for c in range(channels)]
    shared = np.max(own, axis=0)
    return [demand + link * (shared - demand) for demand in own]


def _together(of_channels: Iterable[GainReduction]) -> GainReduction:
    """Return one gain reduction for all channels, or a column for each."""
    found = list(of_channels)
    return found[0] if len(found) == 1 else np.stack(found, axis=1)


def _demand_db(padded: Samples, rate_hz: int, ceiling: float) -> GainReduction:
    peaks = interval_peaks(padded, rate_hz, ceiling)
    demand = np.zeros(len(peaks))
    over = np.flatnonzero(peaks > ceiling)
    demand[over] = 20 * np.log10(peaks[over].astype(np.float64) / ceiling)
    return demand


def _limited(
    waiting: list[Samples], gain_reduction: GainReduction
) -> Iterator[tuple[Samples, GainReduction]]:
    """Yield the waiting samples whose gain reduction is known, limited."""
    while len(gain_reduction):
        block = waiting.pop(0)
        known, gain_reduction = gain_reduction[: len(block)], gain_reduction[len(block) :]
        if len(known) < len(block):
            waiting.insert(0, block[len(known) :])
            block = block[: len(known)]
        yield with_gain_reduction(block, known), known


def with_gain_reduction(block: Sound, gain_reduction: GainReduction) -> Sound:
    """Return a block lowered by the gain reduction of each sample; the block itself at 0 dB."""
    if not gain_reduction.any():
        return block
    limited = np.empty_like(block)
    if gain_reduction.ndim == 1:
        _apply_gain_reduction(block, gain_reduction, limited)
        return limited
    for c in range(block.shape[1]):
        channel = np.ascontiguousarray(block[:, c : c + 1])
        lowered = np.empty_like(channel)
        _apply_gain_reduction(channel, np.ascontiguousarray(gain_reduction[:, c]), lowered)
        limited[:, c] = lowered[:, 0]
    return limited
