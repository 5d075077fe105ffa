"""True peak: the highest point of the wave between the samples (ITU-R BS.1770-5, Annex 2).

The wave is interpolated to at least 4 times 44.1 kHz by a windowed sinc that is flat to 0.46 of
the rate, and the top of each crest is found by a parabola through its three highest points.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from assembler.sound.blocks import Neighbours, Samples
from assembler.sound.compiled import compiled

HALF_TAPS = 32
BEFORE = HALF_TAPS
AFTER = HALF_TAPS + 2
_TILE = 128
_KAISER_BETA = 7.5


def oversampling_factor(rate_hz: int) -> int:
    """Give the power of two that brings a rate to 176.4 kHz or more, at least 2."""
    factor = 2
    while factor * rate_hz < 176_400:
        factor *= 2
    return factor


@functools.cache
def _interpolators(factor: int) -> NDArray[np.float32]:
    """Taps of each phase between two samples, shape (factor - 1, 2 * HALF_TAPS)."""
    phases = np.arange(1, factor) / factor
    return _sinc_taps(phases).astype(np.float32)


def _sinc_taps(phases: NDArray[np.float64]) -> NDArray[np.float64]:
    offsets = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)[None, :] - phases[:, None]
    window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(0, 1 - (offsets / HALF_TAPS) ** 2)))
    taps = np.sinc(offsets) * window / np.i0(_KAISER_BETA)
    sums: NDArray[np.float64] = taps.sum(axis=1, keepdims=True)
    return taps / sums


@functools.cache
def highest_gain() -> float:
    """Give the exact bound of interpolated peak to sample peak: the largest sum of tap sizes."""
    return float(np.abs(_sinc_taps(np.linspace(0, 1, 65))).sum(axis=1).max())


@compiled
def _interpolate(samples, taps, wave):  # type: ignore[no-untyped-def]
    """Fill wave[p, i] with the value p/factor of the way from sample i on; 8 taps at a time."""
    span = wave.shape[1]
    for i in range(span):
        wave[0, i] = samples[i + HALF_TAPS - 1]
    for p in range(taps.shape[0]):
        row = wave[p + 1]
        for i in range(span):
            row[i] = 0.0
        for k in range(0, 2 * HALF_TAPS, 8):
            t0, t1, t2, t3 = taps[p, k], taps[p, k + 1], taps[p, k + 2], taps[p, k + 3]
            t4, t5, t6, t7 = taps[p, k + 4], taps[p, k + 5], taps[p, k + 6], taps[p, k + 7]
            x = samples[k : k + span + 7]
            for i in range(span):
                row[i] += (
                    t0 * x[i]
                    + t1 * x[i + 1]
                    + t2 * x[i + 2]
                    + t3 * x[i + 3]
                    + t4 * x[i + 4]
                    + t5 * x[i + 5]
                    + t6 * x[i + 6]
                    + t7 * x[i + 7]
                )


@compiled
def _crests(wave, floor, peaks):  # type: ignore[no-untyped-def]
    """Raise each peak to the top of the wave in its interval, by a parabola at each crest."""
    factor = wave.shape[0]
    for i in range(1, peaks.shape[0] + 1):
        peak = np.float32(0.0)
        for p in range(factor):
            here = wave[p, i]
            before = wave[p - 1, i] if p > 0 else wave[factor - 1, i - 1]
            after = wave[p + 1, i] if p < factor - 1 else wave[0, i + 1]
            if here < 0:
                here, before, after = -here, -before, -after
            if here >= before and here >= after:
                bend = 2 * here - before - after
                if bend > 0:
                    here += (after - before) * (after - before) / (8 * bend)
            peak = max(peak, here)
        if peak > floor:
            peaks[i - 1] = max(peaks[i - 1], peak)


@compiled
def _interval_peaks(padded, taps, bound, floor, peaks):  # type: ignore[no-untyped-def]
    """Fill peaks[i] with the wave's peak from sample i to the next, where it is above `floor`.

    padded: (channels, n + BEFORE + AFTER + 6); peaks: (n,), zeros, n a multiple of the tile. Tiles
    whose samples can't make a peak above `floor` are skipped. The order of every sum is fixed.
    """
    wave = np.zeros((taps.shape[0] + 1, _TILE + 8), np.float32)
    for start in range(0, peaks.shape[0], _TILE):
        for c in range(padded.shape[0]):
            samples = padded[c, start : start + _TILE + 2 * HALF_TAPS + 8]
            loudest = np.float32(0.0)
            for i in range(_TILE + 2 * HALF_TAPS + 1):
                loudest = max(loudest, abs(samples[i]))
            if loudest * bound > floor:
                _interpolate(samples, taps, wave)
                _crests(wave, floor, peaks[start : start + _TILE])


def interval_peaks(padded: Samples, rate_hz: int, floor: float) -> NDArray[np.float32]:
    """Find the wave's peak between each sample and the next, over all channels.

    Parameters
    ----------
    padded
        Samples with `BEFORE` and `AFTER` neighbours around, shape (n + BEFORE + AFTER, channels).
    rate_hz
        Sample rate.
    floor
        Amplitude below which no peak matters: places that can't exceed it may read 0.

    Returns
    -------
    ndarray of float32, shape (n,)
        Peak amplitudes.
    """
    count = len(padded) - BEFORE - AFTER
    tiled = -(-count // _TILE) * _TILE
    by_channel = np.zeros((padded.shape[1], tiled + BEFORE + AFTER + 6), np.float32)
    by_channel[:, : len(padded)] = padded.T
    peaks = np.zeros(tiled, np.float32)
    taps = _interpolators(oversampling_factor(rate_hz))
    _interval_peaks(by_channel, taps, highest_gain(), np.float32(floor), peaks)
    return peaks[:count]


class PeakMeter:
    """Sample peak and true peak of a stream.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        Channels of the stream.

    Attributes
    ----------
    sample_peak, true_peak
        Amplitudes so far; `true_peak` is complete after `finish`.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.rate_hz = rate_hz
        self.sample_peak = 0.0
        self.true_peak = 0.0
        self._neighbours = Neighbours(BEFORE, AFTER, channels)

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (frames, channels)."""
        if len(block):
            self.sample_peak = max(self.sample_peak, float(block.max()), -float(block.min()))
            self._read(self._neighbours.feed(block))

    def finish(self) -> None:
        """Read the wave to its end."""
        self._read(self._neighbours.finish())

    def _read(self, padded: Samples) -> None:
        floor = max(self.true_peak, self.sample_peak)
        peaks = interval_peaks(padded, self.rate_hz, floor)
        self.true_peak = max(floor, float(peaks.max(initial=0.0)))
