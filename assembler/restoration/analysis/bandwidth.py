"""The spectrum of a side over time, and how far up its sound reaches.

Short windows are taken at regular distances (a Hann window each, Welch, IEEE Transactions on Audio
and Electroacoustics 15, 1967, from memory). Where sound ends shows in what changes: music comes and
goes, tape noise stays. A cliff is what encoders and rate converters leave, never a tape: a tape's
own treble falls off by 24 dB an octave at most (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.sampled_windows import SampledWindows, hann, spectrum_of_both

COURSE_COLUMNS = 800
"""The spectrum is kept at this many places at most, however long the side is."""
OVER_NOISE_DB = 6.0
"""What rises by this above the quietest is sound (common practice)."""
CLIFF_DB = 20.0
"""A fall of this within `_CLIFF_GAP_HZ` is no tape's."""

_WINDOW_S = 0.085
_STEP_S = 0.25
_BANDS = 300
_LEAST_BINS = 8
"""A band of fewer bins wavers too much to be told from noise."""
_QUIET, _LOUD = 0.03, 0.95
_CLIFF_SIDE_HZ, _CLIFF_GAP_HZ = 1000.0, 400.0
_CLIFF_FROM_HZ = 4000.0
_LOWEST = 1e-17
"""Full scale squared a hertz: below the rounding of 24-bit words."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SpectrumCurve:
    """Spectrum over time for a picture.

    Attributes
    ----------
    hz
        Middle of each band, rising.
    density_db
        dB of full scale squared a hertz, mean of both channels, shape (columns, bands); columns
        lie evenly over the side.
    """

    hz: Array
    density_db: NDArray[np.float32]


@dataclass(frozen=True)
class BandwidthReading:
    """How far up the sound reaches.

    Attributes
    ----------
    ends_hz
        Where it comes to lie within `OVER_NOISE_DB` of the noise, to a tenth or so; None if there
        is none to tell.
    cliff_hz
        Where all ends at once; None without such a cliff.
    treble_db
        The loud places' level from a quarter above `ends_hz` on, noise and all, against their
        level from 300 to 3000 Hz; None if it can't be told.
    course
        Over time.
    """

    ends_hz: float | None
    cliff_hz: float | None
    treble_db: float | None
    course: SpectrumCurve


@compiled
def _add_powers(spectrum, scale, powers):  # type: ignore[no-untyped-def]
    """Fill powers with the mean of both channels; spectrum: of left + j·right."""
    size = spectrum.shape[0]
    for k in range(1, powers.shape[0]):
        p, q = spectrum[k], spectrum[size - k]
        square = p.real * p.real + p.imag * p.imag + q.real * q.real + q.imag * q.imag
        powers[k] = scale * square


class SpectrumMeter:
    """Meter of a stereo stream's spectrum over time.

    Parameters
    ----------
    rate_hz
        Sample rate.
    frames
        Samples per channel that will come.
    """

    def __init__(self, rate_hz: int, frames: int) -> None:
        size = int(2 ** round(np.log2(_WINDOW_S * rate_hz)))
        step = max(size, min(round(_STEP_S * rate_hz), frames // COURSE_COLUMNS))
        self._windows = SampledWindows(size, step)
        self._shape = hann(size)
        self._count = max(1, (frames - size) // step + 1)
        self._columns = min(COURSE_COLUMNS, self._count)
        self._bin_hz = rate_hz / size
        # Of a real signal: power at k and at -k; |L|² + |R|² is half of |Z(k)|² + |Z(-k)|².
        self._scale = 0.5 / (float(np.square(self._shape).sum()) * rate_hz)
        edges = np.unique(np.round(np.geomspace(1, size // 2, _BANDS)).astype(np.int64))
        self._starts, self._bins = edges[:-1], np.diff(edges)
        self._powers = np.zeros(size // 2)
        self._whole = np.zeros(size // 2)
        self._sums = np.zeros((self._columns, len(self._bins)))
        self._taken = np.zeros(self._columns, np.int64)
        self._read = 0

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (frames, 2)."""
        for window in self._windows.feed(np.ascontiguousarray(block)):
            column = min(self._read * self._columns // self._count, self._columns - 1)
            _add_powers(spectrum_of_both(window, self._shape), self._scale, self._powers)
            self._whole += self._powers
            self._sums[column] += np.add.reduceat(self._powers, self._starts)
            self._taken[column] += 1
            self._read += 1

    def reading(self) -> BandwidthReading:
        """Give what was found so far."""
        read = np.flatnonzero(self._taken)
        density = self._sums[read] / self._taken[read, None] / self._bins
        density_db = 10 * np.log10(np.maximum(density, _LOWEST))
        hz = (self._starts + (self._bins - 1) / 2) * self._bin_hz
        course = SpectrumCurve(hz, density_db.astype(np.float32))
        if not self._whole.any():
            return BandwidthReading(None, None, None, course)
        quiet, loud = np.quantile(_smoothed(density), (_QUIET, _LOUD), axis=0)
        above_db = 10 * np.log10(np.maximum(loud, _LOWEST) / np.maximum(quiet, _LOWEST))
        ends_hz = self._ends_hz(hz, above_db)
        treble_db = None if ends_hz is None else _treble_db(hz, loud, ends_hz)
        whole_db = 10 * np.log10(np.maximum(self._whole / self._read, _LOWEST))
        cliff_hz = _cliff_hz(whole_db, self._bin_hz)
        if ends_hz is not None and cliff_hz is not None:
            ends_hz = min(ends_hz, cliff_hz)
        return BandwidthReading(ends_hz, cliff_hz, treble_db, course)

    def _ends_hz(self, hz: Array, above_db: Array) -> float | None:
        """Find the highest of three bands in a row that stand above the noise."""
        stands = (above_db > OVER_NOISE_DB) & (self._bins >= _LEAST_BINS)
        in_a_row = np.flatnonzero(stands[2:] & stands[1:-1] & stands[:-2])
        return float(hz[in_a_row[-1] + 2]) if len(in_a_row) else None


def _smoothed(density: Array) -> Array:
    """Give the mean of each band and its two neighbours on either side."""
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
    """Find where a spectrum falls at once, and all above lies low; single tones do not count."""
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
    # Bins that stand above the middle of the fall are counted, so that single tones hardly move it.
    near = whole_db[edge - gap - side : edge + gap + side]
    edge += int(np.count_nonzero(near > (below_db + above_db) / 2)) - gap - side
    return float(edge * bin_hz)
