"""A look-ahead true-peak limiter: stereo-linked, without a step in its gain.

The gain reduction that each sample demands is held over the look-ahead, released towards the
average demand of the last second, and smoothed by three running means that together span the
look-ahead.
Each smoothed value is a mean of values that all reach the demand, so the ceiling holds; where
nothing exceeds the ceiling the sound passes bit for bit.

Sources: hold and smooth is common practice, no source; the true peak is BS.1770-5's.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import amplitude
from assembler.dsp.true_peak import AFTER, BEFORE, interval_peaks

LOOK_AHEAD_S = 0.006
"""A 60 Hz tone 6 dB over is bent to -98 dB; 4.5 ms leave -75, 3 ms -58 (tests/bench)."""
FAST_RELEASE_S = 0.06
"""A lone peak lets go this fast."""
SLOW_RISE_S = 0.4
SLOW_FALL_S = 0.9
"""Dense passages keep their average gain reduction this long."""

GainReduction = NDArray[np.float64]
_STEPS_PER_DB = float(1 << 20)
_NEPERS_PER_DB = math.log(10) / 20
_IDLE_DB = 1e-3


@compiled
def _smooth_gain_reduction(  # type: ignore[no-untyped-def]
    demand, out, window, mean, rates, levels, counts, queue, values, rings, sums
):
    """Turn demands in dB into a smooth gain reduction in dB, `window` samples late.

    rates: fast release, slow rise, slow fall (per sample). levels: released and slow level.
    counts: samples so far, head and tail of the queue. queue, values: positions and demands that
    can still be the window's maximum. rings, sums: three running means in whole steps, so that no
    rounding builds up.
    """
    mask = queue.shape[0] - 1
    fast, slow_rise, slow_fall = rates[0], rates[1], rates[2]
    first, second, third = rings[0], rings[1], rings[2]
    sum_1, sum_2, sum_3 = sums[0], sums[1], sums[2]
    scale = 1.0 / (_STEPS_PER_DB * mean * mean * mean)
    position, head, tail = counts[0], counts[1], counts[2]
    released, slow = levels[0], levels[1]
    slot = position % mean
    for i in range(demand.shape[0]):
        new = demand[i]
        while tail > head and values[(tail - 1) & mask] <= new:
            tail -= 1
        queue[tail & mask] = position
        values[tail & mask] = new
        tail += 1
        if queue[head & mask] < position - window:
            head += 1
        held = values[head & mask]

        slow += (held - slow) * (slow_rise if held > slow else slow_fall)
        released = max(held, slow + (released - slow) * fast)
        if held == 0.0 and released < _IDLE_DB:
            released = 0.0
            slow = 0.0

        step = np.int64(math.ceil(released * _STEPS_PER_DB))
        sum_1 += step - first[slot]
        first[slot] = step
        sum_2 += sum_1 - second[slot]
        second[slot] = sum_1
        sum_3 += sum_2 - third[slot]
        third[slot] = sum_2
        out[i] = sum_3 * scale
        position += 1
        slot += 1
        if slot == mean:
            slot = 0
    counts[0], counts[1], counts[2] = position, head, tail
    levels[0], levels[1] = released, slow
    sums[0], sums[1], sums[2] = sum_1, sum_2, sum_3


@compiled
def _apply_gain_reduction(block, gain_reduction, lowered):  # type: ignore[no-untyped-def]
    """Lower each sample by its gain reduction in dB; where there is none it stays as it is.

    The gain is e^x = (e^(x/64))^64 with eight terms of the series: right to 1e-11 down to -120 dB,
    and the same on every machine, which a library's exp is not.
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
            lowered[i, c] = block[i, c] * gain


class _Attenuator:
    """Gain reduction of a stream of demands, lined up with the samples that made them."""

    def __init__(self, rate_hz: int) -> None:
        self.window = max(3, round(LOOK_AHEAD_S * rate_hz))
        self._mean = self.window // 3 + 1
        self._rates = np.array(
            [
                math.exp(-1 / (FAST_RELEASE_S * rate_hz)),
                1 - math.exp(-1 / (SLOW_RISE_S * rate_hz)),
                1 - math.exp(-1 / (SLOW_FALL_S * rate_hz)),
            ]
        )
        self._levels = np.zeros(2)
        self._counts = np.zeros(3, np.int64)
        room = 1 << (self.window + 2).bit_length()
        self._queue = np.zeros(room, np.int64)
        self._values = np.zeros(room)
        self._rings = np.zeros((3, self._mean), np.int64)
        self._sums = np.zeros(3, np.int64)
        self._late = self.window

    def feed(self, demand: GainReduction) -> GainReduction:
        """Return the gain reduction of the samples that the look-ahead is over for."""
        out = np.zeros(len(demand))
        if len(demand) and not self._passed_over(demand):
            _smooth_gain_reduction(
                demand,
                out,
                self.window,
                self._mean,
                self._rates,
                self._levels,
                self._counts,
                self._queue,
                self._values,
                self._rings,
                self._sums,
            )
        dropped = min(self._late, len(out))
        self._late -= dropped
        return out[dropped:]

    def _passed_over(self, demand: GainReduction) -> bool:
        """Take samples that demand nothing, while nothing is at work, all at once."""
        mask = len(self._queue) - 1
        _, head, tail = self._counts
        at_work = self._levels.any() or self._sums.any()
        if demand.any() or at_work or (tail > head and self._values[head & mask] > 0):
            return False
        self._counts[0] += len(demand)
        self._counts[1] = tail
        self._counts[2] = tail + 1
        self._queue[tail & mask] = self._counts[0] - 1
        self._values[tail & mask] = 0.0
        return True

    def finish(self) -> GainReduction:
        """Return the gain reduction of the last samples."""
        return self.feed(np.zeros(self.window))


def limit(
    blocks: Iterable[Samples], rate_hz: int, ceiling_dbtp: float
) -> Iterator[tuple[Samples, GainReduction]]:
    """Hold the true peak of a stream under a ceiling.

    Parameters
    ----------
    blocks
        Stereo or mono blocks, shape (frames, channels).
    rate_hz
        Sample rate.
    ceiling_dbtp
        Highest true peak that may come out.

    Yields
    ------
    samples, gain_reduction
        As many samples as came in, in time with them, and the gain reduction of each in dB (≥ 0).
    """
    ceiling = amplitude(ceiling_dbtp)
    attenuator = _Attenuator(rate_hz)
    neighbours: Neighbours | None = None
    waiting: list[Samples] = []
    for block in blocks:
        if neighbours is None:
            neighbours = Neighbours(BEFORE, AFTER, block.shape[1])
        waiting.append(block)
        demand = _demand_db(neighbours.feed(block), rate_hz, ceiling)
        yield from _attenuated(waiting, attenuator.feed(demand))
    if neighbours is None:
        return
    demand = _demand_db(neighbours.finish(), rate_hz, ceiling)
    yield from _attenuated(waiting, attenuator.feed(demand))
    yield from _attenuated(waiting, attenuator.finish())


def _demand_db(padded: Samples, rate_hz: int, ceiling: float) -> GainReduction:
    peaks = interval_peaks(padded, rate_hz, ceiling)
    demand = np.zeros(len(peaks))
    over = np.flatnonzero(peaks > ceiling)
    demand[over] = 20 * np.log10(peaks[over].astype(np.float64) / ceiling)
    return demand


def _attenuated(
    waiting: list[Samples], gain_reduction: GainReduction
) -> Iterator[tuple[Samples, GainReduction]]:
    """Reduce the samples that wait, as far as their gain reduction is known."""
    while len(gain_reduction):
        block = waiting.pop(0)
        known, gain_reduction = gain_reduction[: len(block)], gain_reduction[len(block) :]
        if len(known) < len(block):
            waiting.insert(0, block[len(known) :])
            block = block[: len(known)]
        yield _reduced(block, known), known


def _reduced(block: Samples, gain_reduction: GainReduction) -> Samples:
    if not gain_reduction.any():
        return block
    lowered = np.empty_like(block)
    _apply_gain_reduction(block, gain_reduction, lowered)
    return lowered
