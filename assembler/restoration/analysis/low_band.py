"""Decimate a stream without delay; interpolate one of the lowest 800 Hz back to its rate.

Length and shape of the filters: Kaiser's window and his formula for its length (Oppenheim and
Schafer, Discrete-Time Signal Processing, section 7.5, from memory).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.fir import add_filtered

HIGHEST_HZ = 800.0
_LOW_RATE_HZ = 3000
_KAISER_BETA = 8.0
_SPAN = 12
"""Length of the filter in samples at the low rate."""
_LOWEST_RATE = 2.2
"""Least rate of what keeps a band, re its highest frequency."""
_KAISER_LENGTH = 5.01
"""Length in samples at the low rate of a filter with 80 dB of attenuation, times the width of its
transition as a share of that rate."""
_BLOCK = 1024
"""Samples per pass of the filter, so that their sums stay in the processor's cache."""


def low_step(rate_hz: int) -> int:
    """Return how many samples of the stream there are per sample at the low rate."""
    return max(1, round(rate_hz / _LOW_RATE_HZ))


def _taps(step: int, span: int = _SPAN) -> NDArray[np.float64]:
    """Return a low pass of unit gain, −6 dB at half the low rate, shape (span, step).

    Its centre is at the start of row span / 2; its first tap is 0.
    """
    ages = np.arange(span * step) / step - span / 2
    inside = np.maximum(0, 1 - (ages / (span / 2)) ** 2)
    taps = np.sinc(ages) * np.i0(_KAISER_BETA * np.sqrt(inside))
    taps[0] = 0
    rows: NDArray[np.float64] = (taps / taps.sum()).reshape(span, step)
    return rows


@compiled
def _decimate(
    flat: NDArray[Any], taps: NDArray[Any], phase: NDArray[Any], low: NDArray[Any]
) -> None:
    """Fill low[n, c] from the interleaved samples around n steps; taps: (step, span).

    phase: buffer for every step-th sample of a block.
    """
    step, frames = taps.shape[0], flat.shape[0] // 2
    sums = np.zeros(_BLOCK, np.float32)
    for begin in range(0, low.shape[0], _BLOCK):
        count = min(_BLOCK, low.shape[0] - begin)
        out = sums[:count]
        for c in range(2):
            out[:] = 0.0
            for j in range(step):
                first = begin * step + j
                near = flat[2 * first + c :]
                for i in range(min(phase.shape[0], (frames - first + step - 1) // step)):
                    phase[i] = near[2 * step * i]
                add_filtered(out, phase, taps[j])
            for i in range(count):
                low[begin + i, c] = out[i]


@compiled
def _raise(out: NDArray[Any], low: NDArray[Any], taps: NDArray[Any]) -> None:
    """Fill one step of one channel from the _SPAN samples around it; taps: (_SPAN, step)."""
    for p in range(0, taps.shape[0], 4):
        l0, l1, l2, l3 = low[p], low[p + 1], low[p + 2], low[p + 3]
        t0, t1, t2, t3 = taps[p], taps[p + 1], taps[p + 2], taps[p + 3]
        for j in range(out.shape[0]):
            before = np.float32(0.0) if p == 0 else out[j]
            out[j] = before + l0 * t0[j] + l1 * t1[j] + l2 * t2[j] + l3 * t3[j]


@compiled
def _subtract(
    out: NDArray[Any], block: NDArray[Any], low: NDArray[Any], taps: NDArray[Any], passed: int
) -> None:
    """Fill `out`, interleaved, with a block less `low` raised; `passed`: its samples before it."""
    step = taps.shape[1]
    left, right = np.zeros(step, np.float32), np.zeros(step, np.float32)
    at, n = 0, 0
    while at < out.shape[0]:
        _raise(left, low[n:, 0], taps)
        _raise(right, low[n:, 1], taps)
        count = min(step - passed, (out.shape[0] - at) // 2)
        x, y = block[at:], out[at:]
        own_left, own_right = left[passed:], right[passed:]
        for j in range(count):
            y[2 * j] = x[2 * j] - own_left[j]
            y[2 * j + 1] = x[2 * j + 1] - own_right[j]
        at, n, passed = at + 2 * count, n + 1, 0


class Decimator:
    """A stereo stream at a low rate: its sample n is at sample n * `step` of the stream.

    Parameters
    ----------
    rate_hz
        Sample rate of the stream.
    keeps_hz
        Up to here nothing is lost or added. The step is then a power of two, and the stream passes
        unchanged if its rate is low already. By default the low rate is about 3 kHz.
    """

    def __init__(self, rate_hz: int, keeps_hz: float | None = None) -> None:
        self.step, self._span = low_step(rate_hz), _SPAN
        if keeps_hz is not None:
            self.step = 1 << max(0, math.floor(math.log2(rate_hz / (_LOWEST_RATE * keeps_hz))))
            transition = max(1 - 2 * keeps_hz * self.step / rate_hz, 1 - 2 / _LOWEST_RATE)
            self._span = 2 * math.ceil(_KAISER_LENGTH / transition / 2)
        self.rate_hz = rate_hz / self.step
        rows = np.pad(_taps(self.step, self._span), ((0, -self._span % 8), (0, 0)))
        self._taps = np.ascontiguousarray(rows.T, np.float32)
        self._phase = np.zeros(_BLOCK + len(rows), np.float32)
        self._kept = np.zeros((self._span // 2 * self.step, 2), np.float32)

    def feed(self, block: Samples) -> Samples:
        """Add a block and return the samples at the low rate that are complete, shape (n, 2)."""
        if self.step == 1:
            return block
        padded = np.concatenate((self._kept, block))
        ready = max(0, len(padded) // self.step - self._span + 1)
        low = np.zeros((ready, 2), np.float32)
        _decimate(padded.reshape(-1), self._taps, self._phase, low)
        self._kept = padded[ready * self.step :].copy()
        return low

    def finish(self) -> Samples:
        """Return the last samples, with zeros after the stream."""
        after = 0 if self.step == 1 else self._span // 2 * self.step
        return self.feed(np.zeros((after, 2), np.float32))


class Interpolator:
    """A stereo stream at the low rate, brought to that of another stream and subtracted from it."""

    def __init__(self, rate_hz: int) -> None:
        self._step = low_step(rate_hz)
        self._taps = np.ascontiguousarray((_taps(self._step) * self._step)[::-1], np.float32)
        self._low = np.zeros((_SPAN // 2 - 1, 2), np.float32)
        self._passed = 0

    def feed(self, low: Samples) -> None:
        """Add samples at the low rate."""
        self._low = np.concatenate((self._low, low))

    @property
    def ready(self) -> int:
        """How many samples of the other stream are next to each other complete."""
        return max(0, (len(self._low) - _SPAN + 1) * self._step - self._passed)

    def subtract(self, block: Samples) -> Samples:
        """Return the next samples of the other stream, at most `ready`, less those of this one."""
        block = np.ascontiguousarray(block)
        out = np.empty_like(block)
        _subtract(out.reshape(-1), block.reshape(-1), self._low, self._taps, self._passed)
        steps, self._passed = divmod(self._passed + len(block), self._step)
        self._low = self._low[steps:]
        return out
