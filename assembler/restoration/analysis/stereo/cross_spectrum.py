"""Sum the cross-spectrum of left and right over the sections of a side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Values = NDArray[np.floating[Any]]


class SourceCells(NamedTuple):
    """Cells of the spectrogram that hold a single source, one value of each array per cell."""

    bands: NDArray[np.intp]
    """Index of the band."""
    weights: Values
    """By coherence."""
    ratios_db: Values
    """Level of left re right."""
    phases_rad: Values
    """Phase of left re right."""

    def where(self, kept: NDArray[np.bool_]) -> SourceCells:
        """Return the cells at which a mask is True."""
        return SourceCells(
            self.bands[kept], self.weights[kept], self.ratios_db[kept], self.phases_rad[kept]
        )

    @classmethod
    def joined(cls, parts: Sequence[SourceCells]) -> SourceCells:
        """Return the cells of all parts, in order, as float64."""
        return cls(
            np.concatenate([np.zeros(0, np.intp), *(part.bands for part in parts)]),
            np.concatenate([np.zeros(0), *(part.weights for part in parts)]),
            np.concatenate([np.zeros(0), *(part.ratios_db for part in parts)]),
            np.concatenate([np.zeros(0), *(part.phases_rad for part in parts)]),
        )


@dataclass
class CrossSpectrum:
    """Cross-spectrum of left and right, summed over the cells of one section of a side."""

    phasors: NDArray[np.complex128]
    """Phase of left re right in each band, weighted by coherence."""
    weights: Array
    """Sum of these weights in each band."""
    squared_weights: Array
    """Sum of their squares in each band."""
    bass_correlation: float = 0.0
    bass_cells: int = 0
    """Sum of the correlations of all cells below `POLARITY_HZ`, and their number."""
    sources: list[SourceCells] = field(default_factory=list)
    """Cells that hold a single source."""

    @classmethod
    def empty(cls, bands: int) -> CrossSpectrum:
        """Return the cross-spectrum of a section without any cells yet."""
        return cls(np.zeros(bands, np.complex128), np.zeros(bands), np.zeros(bands))

    @classmethod
    def of_all(cls, sections: Sequence[CrossSpectrum]) -> CrossSpectrum:
        """Return the sum of several sections."""
        total = cls.empty(len(sections[0].phasors))
        for section in sections:
            total.phasors += section.phasors
            total.weights += section.weights
            total.squared_weights += section.squared_weights
            total.bass_correlation += section.bass_correlation
            total.bass_cells += section.bass_cells
            total.sources += section.sources
        return total
