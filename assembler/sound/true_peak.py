"""True peak: the highest point of the wave between the samples (ITU-R BS.1770-5, Annex 2).

The wave is interpolated by 4 at least, and to 176.4 kHz at least, with a windowed sinc that passes
all below 0.45 of the rate and nothing above half of it, as a converter's filter does; the top of
each crest is found by a parabola through its three highest points. Clipped music, square waves and
noise reach up to half the rate, and there a softer filter misses peaks by 0.1 dB and more.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from assembler.sound.blocks import Neighbours, Samples
from assembler.sound.compiled import compiled

HALF_TAPS = 96
BEFORE = HALF_TAPS
AFTER = HALF_TAPS + 2
_TILE = 128
_KAISER_BETA = 9.0
_CUT = 0.4783
"""Of the rate: where the filter is halfway down."""


def oversampling_factor(rate_hz: int) -> int:
    """Give the power of two that brings a rate to 176.4 kHz or more, at least 4."""
    factor = 4
    while factor * rate_hz < 176_400:
        factor *= 2
    return factor


@functools.cache
def _interpolators(factor: int) -> NDArray[np.float32]:
    """Taps of each phase from a sample to the next, shape (factor, 2 * HALF_TAPS)."""
    return _sinc_taps(np.arange(factor) / factor).astype(np.float32)


def _sinc_taps(phases: NDArray[np.float64]) -> NDArray[np.float64]:
    offsets = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)[None, :] - phases[:, None]
    window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(0, 1 - (offsets / HALF_TAPS) ** 2)))
    taps = np.sinc(2 * _CUT * offsets) * window
    sums: NDArray[np.float64] = taps.sum(axis=1, keepdims=True)
    return taps / sums


@functools.cache
def _bounds() -> tuple[float, float, float]:
    """Give what the wave between two samples can't exceed, whatever the phase.

    The taps of each phase are split into the line between the two samples, a small tilt, and a
    rest that has no zeroth and no first moment: a filter on the second differences. So the wave
    is at most the larger of both samples, plus `bend` times the largest second difference near
    by, plus `tilt` times the larger of both; and at most `gain` times the largest sample near by.

    Returns
    -------
    gain, bend, tilt
    """
    phases = np.linspace(0, 1, 65)
    taps = _sinc_taps(phases)
    gain = np.abs(taps).sum(axis=1).max()
    rest = taps.copy()
    rest[:, HALF_TAPS - 1] -= 1 - phases
    rest[:, HALF_TAPS] -= phases
    moments = rest @ np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)
    rest[:, HALF_TAPS - 1] += moments
    rest[:, HALF_TAPS] -= moments
    bend = np.abs(rest.cumsum(axis=1).cumsum(axis=1)).sum(axis=1).max()
    return float(gain), float(bend), 2 * float(np.abs(moments).max())


@compiled
def _interpolate(samples, taps, wave):  # type: ignore[no-untyped-def]
    """Fill wave[p, i] with the value p/factor of the way from sample i on; 8 taps at a time."""
    span = wave.shape[1]
    for p in range(taps.shape[0]):
        row = wave[p]
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
def _crests(wave, samples, floor, peaks):  # type: ignore[no-untyped-def]
    """Raise each peak to the top of the wave in its interval, and to its sample.

    A crest's top is taken from the parabola through its three highest points.
    """
    factor = wave.shape[0]
    for i in range(1, peaks.shape[0] + 1):
        peak = abs(samples[i + HALF_TAPS - 1])
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
def _can_exceed(samples, bounds, floor):  # type: ignore[no-untyped-def]
    """Tell whether the wave of a tile can be above `floor`, by the exact bounds."""
    near = np.float32(0.0)
    for i in range(HALF_TAPS, HALF_TAPS + _TILE + 1):
        near = max(near, abs(samples[i]))
    if near > floor:
        return True
    around = near
    for i in range(_TILE + 2 * HALF_TAPS + 1):
        around = max(around, abs(samples[i]))
    if around * bounds[0] <= floor:
        return False
    bent = np.float32(0.0)
    for i in range(_TILE + 2 * HALF_TAPS + 1):
        bent = max(bent, abs(samples[i] - 2 * samples[i + 1] + samples[i + 2]))
    return near * (1 + bounds[2]) + bounds[1] * bent > floor


@compiled
def _interval_peaks(padded, taps, bounds, floor, rising, peaks):  # type: ignore[no-untyped-def]
    """Fill peaks[i] with the wave's peak from sample i to the next, where it is above `floor`.

    padded: (channels, n + BEFORE + AFTER + 6); peaks: (n,), zeros, n a multiple of the tile. Where
    `rising` is set, the floor rises with what was found. The order of every sum is fixed.
    """
    wave = np.zeros((taps.shape[0], _TILE + 8), np.float32)
    for start in range(0, peaks.shape[0], _TILE):
        tile = peaks[start : start + _TILE]
        for c in range(padded.shape[0]):
            samples = padded[c, start : start + _TILE + 2 * HALF_TAPS + 8]
            if _can_exceed(samples, bounds, floor):
                _interpolate(samples, taps, wave)
                _crests(wave, samples, floor, tile)
                if rising:
                    floor = max(floor, tile.max())


def interval_peaks(padded: Samples, rate_hz: int, floor: float) -> NDArray[np.float32]:
    """Find the wave's peak between each sample and the next, over all channels.

    Parameters
    ----------
    padded
        Samples with `BEFORE` and `AFTER` neighbours around, shape (n + BEFORE + AFTER, channels).
    rate_hz
        Sample rate.
    floor
        Amplitude below which no peak matters: peaks that don't exceed it read 0.

    Returns
    -------
    ndarray of float32, shape (n,)
        Peak amplitudes.
    """
    return _peaks(padded, rate_hz, floor, rising=False)


def highest_peak(padded: Samples, rate_hz: int, floor: float) -> float:
    """Find the wave's highest peak, or `floor` if it is not above it; `padded` as above."""
    return max(floor, float(_peaks(padded, rate_hz, floor, rising=True).max(initial=0.0)))


def _peaks(padded: Samples, rate_hz: int, floor: float, *, rising: bool) -> NDArray[np.float32]:
    count = len(padded) - BEFORE - AFTER
    tiled = -(-count // _TILE) * _TILE
    by_channel = np.zeros((padded.shape[1], tiled + BEFORE + AFTER + 6), np.float32)
    by_channel[:, : len(padded)] = padded.T
    peaks = np.zeros(tiled, np.float32)
    taps = _interpolators(oversampling_factor(rate_hz))
    _interval_peaks(by_channel, taps, _bounds(), np.float32(floor), rising, peaks)
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
        self.true_peak = highest_peak(padded, self.rate_hz, floor)
