"""Decimate a stream to its lowest 800 Hz without delay, and interpolate back to its rate."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled

HIGHEST_HZ = 800.0
_LOW_RATE_HZ = 3000
_KAISER_BETA = 8.0
_SPAN = 12
"""Length of the filter in samples at the low rate."""


def low_step(rate_hz: int) -> int:
    """Return how many samples of the stream there are per sample at the low rate."""
    return max(1, round(rate_hz / _LOW_RATE_HZ))


def _taps(step: int) -> NDArray[np.float64]:
    """Return a low pass of unit gain, −6 dB at half the low rate, shape (_SPAN, step).

    Its centre is at the start of row _SPAN / 2; its first tap is 0.
    """
    ages = np.arange(_SPAN * step) / step - _SPAN / 2
    inside = np.maximum(0, 1 - (ages / (_SPAN / 2)) ** 2)
    taps = np.sinc(ages) * np.i0(_KAISER_BETA * np.sqrt(inside))
    taps[0] = 0
    rows: NDArray[np.float64] = (taps / taps.sum()).reshape(_SPAN, step)
    return rows


@compiled
def _decimate(
    flat: NDArray[Any], taps: NDArray[Any], lanes: NDArray[Any], low: NDArray[Any]
) -> None:
    """Fill low[n, c] from the interleaved samples around n steps; taps: (_SPAN, 2 * step)."""
    width = taps.shape[1]
    for n in range(low.shape[0]):
        for j in range(width):
            lanes[j] = 0.0
        for p in range(taps.shape[0]):
            row = taps[p]
            piece = flat[(n + p) * width : (n + p + 1) * width]
            for j in range(width):
                lanes[j] += row[j] * piece[j]
        left, right = 0.0, 0.0
        for j in range(0, width, 2):
            left += lanes[j]
            right += lanes[j + 1]
        low[n, 0], low[n, 1] = left, right


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
    """A stereo stream at the low rate: its sample n is at sample n * `step` of the stream."""

    def __init__(self, rate_hz: int) -> None:
        self.step = low_step(rate_hz)
        self.rate_hz = rate_hz / self.step
        self._taps = np.repeat(_taps(self.step), 2, axis=1).astype(np.float32)
        self._lanes = np.zeros(2 * self.step, np.float32)
        self._kept = np.zeros((_SPAN // 2 * self.step, 2), np.float32)

    def feed(self, block: Samples) -> Samples:
        """Add a block and return the samples at the low rate that are complete, shape (n, 2)."""
        padded = np.concatenate((self._kept, block))
        ready = max(0, len(padded) // self.step - _SPAN + 1)
        low = np.zeros((ready, 2), np.float32)
        _decimate(padded.reshape(-1), self._taps, self._lanes, low)
        self._kept = padded[ready * self.step :]
        return low

    def finish(self) -> Samples:
        """Return the last samples, with zeros after the stream."""
        return self.feed(np.zeros((_SPAN // 2 * self.step, 2), np.float32))


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
