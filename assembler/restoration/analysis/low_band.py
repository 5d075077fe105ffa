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
def _interpolate(low: NDArray[Any], taps: NDArray[Any], flat: NDArray[Any]) -> None:
    """Fill flat, interleaved, (low - _SPAN + 1) steps long; taps: (_SPAN, 2, 2 * step)."""
    width = taps.shape[2]
    for n in range(low.shape[0] - taps.shape[0] + 1):
        piece = flat[n * width : (n + 1) * width]
        for j in range(width):
            piece[j] = 0.0
        for p in range(taps.shape[0]):
            left, right = low[n + p, 0], low[n + p, 1]
            of_left, of_right = taps[p, 0], taps[p, 1]
            for j in range(width):
                piece[j] += left * of_left[j] + right * of_right[j]


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
    """A stereo stream at the low rate, brought back to its original rate."""

    def __init__(self, rate_hz: int) -> None:
        self.step = low_step(rate_hz)
        rows = _taps(self.step) * self.step
        lag = np.concatenate((rows, np.zeros((1, self.step))))
        taps = np.zeros((_SPAN, 2, 2 * self.step), np.float32)
        taps[:, 0, 0::2] = lag[:_SPAN][::-1]
        taps[:, 1, 1::2] = lag[:_SPAN][::-1]
        self._taps = taps
        self._kept = np.zeros((_SPAN // 2 - 1, 2), np.float32)

    def feed(self, low: Samples) -> Samples:
        """Add samples at the low rate and return those of the stream that are complete."""
        padded = np.concatenate((self._kept, low))
        ready = max(0, len(padded) - _SPAN + 1)
        raised = np.zeros((ready * self.step, 2), np.float32)
        _interpolate(padded, self._taps, raised.reshape(-1))
        self._kept = padded[ready:]
        return raised
