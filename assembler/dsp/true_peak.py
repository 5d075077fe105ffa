"""True peak: the highest point of the wave between the samples (ITU-R BS.1770-5, Annex 2).

The wave is interpolated by a factor of at least 4, to at least 176.4 kHz, with a windowed sinc that
passes everything below 0.45 of the rate and nothing above half of it, as a converter's filter does;
the top of each peak is that of a sine through its three highest points. Clipped music, square waves
and noise have content up to half the rate, where a gentler filter misses peaks by 0.1 dB and more.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.fir import add_filtered

Magnitudes = NDArray[np.float32]

HALF_TAPS = 96
_TILE = 128
BEFORE = AFTER = _TILE
"""Neighbours that a sample needs: the filter taps, in whole tiles."""
_KAISER_BETA = 9.0
_SHARPEST = 1.3
"""A band-limited wave of peak M stays above M cos(ωt) beside that peak: its neighbours there, at 4
points a sample and half a step off the top at most, add up to 2 cos(45°) cos(22.5°) M or more."""
_CUT = 0.4783
"""The filter's half-amplitude frequency, as a fraction of the rate."""


def oversampling_factor(rate_hz: int) -> int:
    """Return the power of two that brings a rate to 176.4 kHz or more, at least 4."""
    factor = 4
    while factor * rate_hz < 176_400:
        factor *= 2
    return factor


@functools.cache
def interpolators(factor: int) -> Magnitudes:
    """Return the taps of each phase between two samples, shape (factor, 2 * HALF_TAPS)."""
    return _sinc_taps(np.arange(factor) / factor).astype(np.float32)


def _sinc_taps(phases: NDArray[np.float64]) -> NDArray[np.float64]:
    offsets = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)[None, :] - phases[:, None]
    window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(0, 1 - (offsets / HALF_TAPS) ** 2)))
    taps = np.sinc(2 * _CUT * offsets) * window
    sums: NDArray[np.float64] = taps.sum(axis=1, keepdims=True)
    return taps / sums


@functools.cache
def _bounds() -> tuple[float, float, float]:
    """Return upper bounds of the wave between two samples, whatever the phase.

    The taps of each phase are split into the line between the two samples, a small tilt, and a
    rest without zeroth and first moment: a filter on the second differences. So the wave is at
    most the larger of both samples, plus `bend` times the largest second difference nearby, plus
    `tilt` times the larger of both; and at most `gain` times the largest sample nearby.

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
def _interpolate(samples: Magnitudes, taps: Magnitudes, wave: Magnitudes) -> None:
    """Fill wave[p, i] with the value at p/factor of the way from sample i to the next."""
    wave[:] = 0.0
    for p in range(taps.shape[0]):
        add_filtered(wave[p], samples, taps[p])


@compiled
def _interpolate_peaks(
    wave: Magnitudes, samples: Magnitudes, floor: np.float32, peaks: Magnitudes
) -> None:
    """Raise each peak to the top of the wave in its interval, and to its sample.

    The top is that of the sine through the three highest points; where these curve more than a
    wave below half the rate can at its highest peak, that of a parabola, which stays bounded.
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
                both, tilt = before + after, (after - before) * (after - before)
                flat = 4 * here * here - both * both
                if both < _SHARPEST * here:
                    here += tilt / (8 * (2 * here - both))
                elif flat > 0:
                    here *= math.sqrt(1 + tilt / flat)
            peak = max(peak, here)
        if peak > floor:
            peaks[i - 1] = max(peaks[i - 1], peak)


@compiled
def _highest(magnitudes: Magnitudes) -> np.float32:
    """Return the highest magnitude: compared as integers, which the compiler vectorises."""
    bits = magnitudes.view(np.int32)
    most = np.int32(0)
    for j in range(bits.shape[0]):
        most = max(most, bits[j])
    bits[0] = most
    highest: np.float32 = magnitudes[0]
    return highest


@compiled
def _highest_of_each_tile(flat: Magnitudes, buffer: Magnitudes, highest: Magnitudes) -> None:
    """Fill `highest` with the largest magnitude of each tile of interleaved samples."""
    size = buffer.shape[0]
    for t in range(highest.shape[0]):
        tile = flat[t * size : (t + 1) * size]
        for j in range(size):
            buffer[j] = abs(tile[j])
        highest[t] = _highest(buffer)


@compiled
def _largest_bend(
    flat: Magnitudes, channels: int, t: int, buffer: Magnitudes, bends: Magnitudes
) -> np.float32:
    """Return the largest second difference that begins in a tile; computed once."""
    if bends[t] < 0:
        size = min(buffer.shape[0], flat.shape[0] - t * buffer.shape[0] - 2 * channels)
        x0 = flat[t * buffer.shape[0] :]
        x1, x2 = x0[channels:], x0[2 * channels :]
        for j in range(size):
            buffer[j] = abs(x0[j] - np.float32(2.0) * x1[j] + x2[j])
        bends[t] = _highest(buffer[:size])
    bend: np.float32 = bends[t]
    return bend


@compiled
def _can_exceed(
    padded: Samples,
    highest: Magnitudes,
    bends: Magnitudes,
    buffer: Magnitudes,
    t: int,
    bounds: tuple[float, float, float],
    floor: np.float32,
) -> bool:
    """Return whether the wave of a tile can be above `floor`, by the exact bounds."""
    around = max(highest[t], highest[t + 1], highest[t + 2])
    if around * bounds[0] <= floor:
        return False
    near = highest[t + 1]
    for c in range(padded.shape[1]):
        near = max(near, abs(padded[(t + 2) * _TILE, c]))
    if near > floor:
        return True
    flat, channels = padded.reshape(-1), padded.shape[1]
    bend = np.float32(0.0)
    for k in range(t, t + 3):
        bend = max(bend, _largest_bend(flat, channels, k, buffer, bends))
    exceeds: bool = near * (1 + bounds[2]) + bounds[1] * bend > floor
    return exceeds


@compiled
def _interval_peaks(
    padded: Samples,
    highest: Magnitudes,
    taps: Magnitudes,
    bounds: tuple[float, float, float],
    floor: np.float32,
    rising: bool,
    peaks: Magnitudes,
) -> None:
    """Fill peaks[i] with the wave's peak from sample i to the next, where it is above `floor`.

    padded: whole tiles, contiguous, shape (frames, channels); highest: of each tile; peaks: (n,),
    zeros; the first interval is in the second tile. Where `rising` is set, the floor rises to the
    highest peak so far. The order of every sum is fixed.
    """
    wave = np.zeros((taps.shape[0], _TILE + 8), np.float32)
    samples = np.zeros(_TILE + 2 * HALF_TAPS + 16, np.float32)
    buffer = np.empty(_TILE * padded.shape[1], np.float32)
    bends = np.full(highest.shape[0], np.float32(-1))
    for t in range(highest.shape[0] - 2):
        if not _can_exceed(padded, highest, bends, buffer, t, bounds, floor):
            continue
        tile = peaks[t * _TILE : (t + 1) * _TILE]
        first = (t + 1) * _TILE - HALF_TAPS
        for c in range(padded.shape[1]):
            for i in range(samples.shape[0]):
                samples[i] = padded[first + i, c]
            _interpolate(samples, taps, wave)
            _interpolate_peaks(wave, samples, floor, tile)
            if rising:
                for i in range(tile.shape[0]):
                    floor = max(floor, tile[i])


def interval_peaks(padded: Samples, rate_hz: int, floor: float) -> Magnitudes:
    """Measure the wave's peak between each sample and the next, over all channels.

    Parameters
    ----------
    padded
        Samples with `BEFORE` and `AFTER` neighbours, shape (n + BEFORE + AFTER, channels).
    rate_hz
        Sample rate.
    floor
        Amplitude below which no peak matters: peaks that don't exceed it read 0.

    Returns
    -------
    ndarray of float32, shape (n,)
        Peak amplitudes.
    """
    peaks = np.zeros(len(padded) - BEFORE - AFTER, np.float32)
    _fill(peaks, *_tiled(padded), rate_hz, floor, rising=False)
    return peaks


def _tiled(padded: Samples) -> tuple[Samples, Magnitudes]:
    """Return samples padded to whole tiles, and the highest magnitude of each tile."""
    missing = -len(padded) % _TILE
    if missing:
        padded = np.concatenate((padded, np.zeros((missing, padded.shape[1]), np.float32)))
    padded = np.ascontiguousarray(padded)
    highest = np.empty(len(padded) // _TILE, np.float32)
    buffer = np.empty(_TILE * padded.shape[1], np.float32)
    _highest_of_each_tile(padded.reshape(-1), buffer, highest)
    return padded, highest


def _fill(
    peaks: Magnitudes,
    padded: Samples,
    highest: Magnitudes,
    rate_hz: int,
    floor: float,
    *,
    rising: bool,
) -> None:
    taps = interpolators(oversampling_factor(rate_hz))
    _interval_peaks(padded, highest, taps, _bounds(), np.float32(floor), rising, peaks)


class PeakMeter:
    """Sample peak and true peak of a stream.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        Number of channels.

    Attributes
    ----------
    sample_peak, true_peak
        Amplitudes so far; complete after `finish`.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.rate_hz = rate_hz
        self.sample_peak = 0.0
        self.true_peak = 0.0
        self._neighbours = Neighbours(BEFORE, AFTER, channels)

    def feed(self, block: Samples) -> None:
        """Add samples, shape (frames, channels)."""
        if len(block):
            self._read(self._neighbours.feed(block))

    def finish(self) -> None:
        """Measure the end of the wave."""
        self._read(self._neighbours.finish())

    def _read(self, padded: Samples) -> None:
        peaks = np.zeros(len(padded) - BEFORE - AFTER, np.float32)
        padded, highest = _tiled(padded)
        self.sample_peak = max(self.sample_peak, float(highest.max()))
        floor = max(self.true_peak, self.sample_peak)
        _fill(peaks, padded, highest, self.rate_hz, floor, rising=True)
        self.true_peak = max(floor, float(peaks.max(initial=0.0)))
