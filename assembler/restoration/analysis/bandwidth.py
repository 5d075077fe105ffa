"""Measure the spectrum of a side over time, and its bandwidth.

Short Hann windows are taken at regular intervals (Welch, IEEE Transactions on Audio and
Electroacoustics 15, 1967, from memory). Bandwidth is measured from what changes: music varies, tape
noise is steady. A steep cut-off comes from encoders and rate converters, never from a tape, whose
treble falls by at most 24 dB per octave. Tuned empirically on transfers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.spectra import Spectra, hann, window_samples

MAX_COLUMNS = 800
"""Most columns of the spectrum over time, however long the side is."""
OVER_NOISE_DB = 6.0
"""Level above the quietest passages that counts as sound."""
CLIFF_DB = 20.0
"""A fall of this within `_CLIFF_GAP_HZ` is steeper than any tape's."""

_WINDOW_S = 0.085
_STEP_S = 0.25
_BANDS = 300
_LEAST_BINS = 8
"""The level of a band with fewer bins varies too much."""
_QUIET, _LOUD = 0.03, 0.95
_CLIFF_SIDE_HZ, _CLIFF_GAP_HZ = 1000.0, 400.0
_CLIFF_FROM_HZ = 4000.0
_LOWEST = 1e-17
"""Full scale squared per hertz: below the quantisation noise of 24 bits."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SpectrumCurve:
    """Spectrogram for a picture."""

    hz: Array
    """Centre of each band, ascending."""
    density_db: NDArray[np.float32]
    """dB re full scale squared per hertz, mean of both channels, shape (columns, bands); columns
    are evenly spaced over the side."""


@dataclass(frozen=True)
class BandwidthReading:
    """Bandwidth of a side."""

    ends_hz: float | None
    """Where the sound falls to within `OVER_NOISE_DB` of the noise, to about a tenth; None if not
    determined."""
    cliff_hz: float | None
    """Frequency of a steep cut-off; None without one."""
    treble_db: float | None
    """Level of the loud passages above 1.25 `ends_hz`, noise included, re their level from 300 to
    3000 Hz; None if not determined."""
    spectrum: SpectrumCurve


class SpectrumMeter:
    """Meter of a stereo stream's spectrum over time.

    Parameters
    ----------
    rate_hz, frames
        Sample rate, and length in samples per channel.
    """

    def __init__(self, rate_hz: int, frames: int) -> None:
        size = window_samples(rate_hz, _WINDOW_S)
        step = max(size, min(round(_STEP_S * rate_hz), frames // MAX_COLUMNS))
        shape = hann(size)
        self._spectra = Spectra(size, step, shape)
        self._count = max(1, (frames - size) // step + 1)
        self._columns = min(MAX_COLUMNS, self._count)
        self._bin_hz = rate_hz / size
        # Of a real signal: power at k and at -k; |L|² + |R|² is half of |Z(k)|² + |Z(-k)|².
        self._scale = 0.5 / (float(np.square(shape).sum()) * rate_hz)
        edges = np.unique(np.round(np.geomspace(1, size // 2, _BANDS)).astype(np.int64))
        self._starts, self._bins = edges[:-1], np.diff(edges)
        self._whole = np.zeros(size // 2)
        self._sums = np.zeros((self._columns, len(self._bins)))
        self._windows_in = np.zeros(self._columns, np.int64)
        self._windows_read = 0

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        for spectra in self._spectra.feed(block):
            self._add(spectra)

    def _add(self, spectra: NDArray[np.complex64]) -> None:
        for spectrum in spectra:
            column = min(self._windows_read * self._columns // self._count, self._columns - 1)
            powers = self._powers(spectrum)
            self._whole += powers
            self._sums[column] += np.add.reduceat(powers, self._starts)
            self._windows_in[column] += 1
            self._windows_read += 1

    def _powers(self, spectrum: NDArray[np.complex64]) -> Array:
        """Return the power of each line, mean of both channels; 0 at 0 Hz."""
        above, below = spectrum[1 : len(spectrum) // 2], spectrum[: len(spectrum) // 2 : -1]
        squares = above.real**2 + above.imag**2 + below.real**2 + below.imag**2
        return np.concatenate((np.zeros(1), self._scale * squares.astype(np.float64)))

    def reading(self) -> BandwidthReading:
        """Return the reading of all samples so far."""
        for spectra in self._spectra.rest():
            self._add(spectra)
        filled = np.flatnonzero(self._windows_in)
        density = self._sums[filled] / self._windows_in[filled, None] / self._bins
        density_db = 10 * np.log10(np.maximum(density, _LOWEST))
        hz = (self._starts + (self._bins - 1) / 2) * self._bin_hz
        spectrum = SpectrumCurve(hz, density_db.astype(np.float32))
        if not self._whole.any():
            return BandwidthReading(None, None, None, spectrum)
        quiet, loud = np.quantile(_smoothed(density), (_QUIET, _LOUD), axis=0)
        above_db = 10 * np.log10(np.maximum(loud, _LOWEST) / np.maximum(quiet, _LOWEST))
        ends_hz = self._ends_hz(hz, above_db)
        treble_db = None if ends_hz is None else _treble_db(hz, loud, ends_hz)
        whole_db = 10 * np.log10(np.maximum(self._whole / self._windows_read, _LOWEST))
        cliff_hz = _cliff_hz(whole_db, self._bin_hz)
        if ends_hz is not None and cliff_hz is not None:
            ends_hz = min(ends_hz, cliff_hz)
        return BandwidthReading(ends_hz, cliff_hz, treble_db, spectrum)

    def _ends_hz(self, hz: Array, above_db: Array) -> float | None:
        """Return the highest of three adjacent bands that are above the noise."""
        is_above = (above_db > OVER_NOISE_DB) & (self._bins >= _LEAST_BINS)
        in_a_row = np.flatnonzero(is_above[2:] & is_above[1:-1] & is_above[:-2])
        return float(hz[in_a_row[-1] + 2]) if len(in_a_row) else None


def _smoothed(density: Array) -> Array:
    """Return the mean of each band and its two neighbours on either side."""
    padded = np.pad(density, ((0, 0), (2, 2)), mode="edge")
    means: Array = np.lib.stride_tricks.sliding_window_view(padded, 5, axis=1).mean(axis=-1)
    return means


def _treble_db(hz: Array, loud: Array, ends_hz: float) -> float | None:
    above, middle = hz > 1.25 * ends_hz, (hz > 300) & (hz < 3000)
    if not above.any() or not middle.any():
        return None
    treble, middles = float(loud[above].mean()), float(loud[middle].mean())
    return 10 * math.log10(max(treble, _LOWEST) / max(middles, _LOWEST))


def _cliff_hz(whole_db: Array, bin_hz: float) -> float | None:
    """Return the frequency above which a spectrum falls steeply and stays low, tones left out."""
    side, gap = round(_CLIFF_SIDE_HZ / bin_hz), round(_CLIFF_GAP_HZ / 2 / bin_hz)
    if len(whole_db) <= 2 * side:
        return None
    middles = np.median(np.lib.stride_tricks.sliding_window_view(whole_db, side), axis=1)
    first = max(round(_CLIFF_FROM_HZ / bin_hz), side + gap)
    edges = np.arange(first, len(whole_db) - side - gap)
    if not len(edges):
        return None
    falls = middles[edges - gap - side] - middles[edges + gap]
    steepest = int(falls.argmax())
    edge = int(edges[steepest])
    below_db, above_db = middles[edge - gap - side], middles[edge + gap]
    if falls[steepest] < CLIFF_DB or middles[edge + gap :].max() > below_db - CLIFF_DB / 2:
        return None
    # Counting the bins above the middle of the fall keeps single tones from shifting it.
    near = whole_db[edge - gap - side : edge + gap + side]
    edge += int(np.count_nonzero(near > (below_db + above_db) / 2)) - gap - side
    return float(edge * bin_hz)
