"""Compare the spectra of both channels in cells of one window by about 100 Hz."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.low_band import Decimator
from assembler.restoration.analysis.spectra import Spectra, hann, window_samples
from assembler.restoration.analysis.stereo.cross_spectrum import SourceCells

WINDOW_S = 0.17
_CELL_BINS = 16
_HIGHEST_HZ = 16_000.0
_LEAST_POWER = 1e-12
"""Of a cell; below this, rounding errors matter."""
SOURCES_HZ = (200.0, 4000.0)
"""Above hum and rumble, and below the range in which tapes and heads differ."""
_ONE_SOURCE = 0.9
_CERTAIN_SINGLE = 1.003
"""Limits the weight of a cell that is fully coherent: sound in one channel only shifts the level
ratio as it lowers the coherence."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Cells:
    """The cells of some windows, arrays of shape (windows, bands)."""

    left: Array
    right: Array
    """Power of the channels, 1 where a cell is not audible."""
    cross: NDArray[np.complex128]
    """Cross-power of left and right."""
    size: Array
    """Magnitude of the cross-power."""
    coherence: Array
    """Squared coherence, 0 to 1."""
    audible: NDArray[np.bool_]
    """Whether both channels have sound."""

    def single_sources(self, window: int, bands: NDArray[np.bool_]) -> SourceCells:
        """Return the cells of a window in some bands that hold a single source."""
        coherence = self.coherence[window]
        kept = np.flatnonzero(bands & (coherence > _ONE_SOURCE))
        return SourceCells(
            kept,
            (1 / (_CERTAIN_SINGLE - coherence[kept])).astype(np.float32),
            (10 * np.log10(self.left[window, kept] / self.right[window, kept])).astype(np.float32),
            np.angle(self.cross[window, kept]).astype(np.float32),
        )


@compiled
def _fill_cells(spectra: NDArray[Any], powers: NDArray[Any], cross: NDArray[Any]) -> None:
    """Sum power and cross-power over each cell.

    spectra: of left + j·right in some windows; powers: of left, and of right.
    """
    size = spectra.shape[1]
    for window in range(cross.shape[0]):
        spectrum = spectra[window]
        for cell in range(cross.shape[1]):
            left, right, real, imag = 0.0, 0.0, 0.0, 0.0
            for k in range((cell + 1) * _CELL_BINS, (cell + 2) * _CELL_BINS):
                p, q = spectrum[k], spectrum[size - k]
                lr, li = p.real + q.real, p.imag - q.imag
                rr, ri = p.imag + q.imag, q.real - p.real
                left += lr * lr + li * li
                right += rr * rr + ri * ri
                real += lr * rr + li * ri
                imag += li * rr - lr * ri
            powers[0, window, cell], powers[1, window, cell] = left, right
            cross[window, cell] = complex(real, imag)


class CellSpectra:
    """Spectra of windows of a stereo stream in cells, at a rate that keeps `_HIGHEST_HZ`.

    Parameters
    ----------
    rate_hz, step_s
        Sample rate of the stream, and the time from one window to the next.

    Attributes
    ----------
    hz
        Centre of each band.
    window_s, step_s
        Length of a window, and the exact time from one to the next.
    """

    def __init__(self, rate_hz: int, step_s: float) -> None:
        self._band = Decimator(rate_hz, _HIGHEST_HZ)
        low_hz = self._band.rate_hz
        size, step = window_samples(low_hz, WINDOW_S), round(step_s * low_hz)
        self.window_s, self.step_s = size / low_hz, step / low_hz
        cells = int(min(_HIGHEST_HZ, 0.45 * low_hz) * size / low_hz) // _CELL_BINS - 1
        self.hz: Array = ((np.arange(cells) + 1.5) * _CELL_BINS - 0.5) * low_hz / size
        self._spectra = Spectra(size, step, hann(size))

    def feed(self, block: Samples) -> Iterator[Cells]:
        """Add the next samples, shape (frames, 2), and yield the cells of complete windows."""
        return map(self._cells_of, self._spectra.feed(self._band.feed(block)))

    def rest(self) -> Iterator[Cells]:
        """Yield the cells of the last complete windows, if there are any."""
        return map(self._cells_of, self._spectra.rest())

    def _cells_of(self, spectra: NDArray[np.complex64]) -> Cells:
        shape = len(spectra), len(self.hz)
        powers, cross = np.zeros((2, *shape)), np.zeros(shape, np.complex128)
        _fill_cells(spectra, powers, cross)
        audible: NDArray[np.bool_] = powers.min(axis=0) > _LEAST_POWER
        left, right = np.where(audible, powers, 1.0)
        size = np.abs(cross)
        coherence = np.where(audible, size**2 / (left * right), 0.0)
        return Cells(left, right, cross, size, coherence, audible)
