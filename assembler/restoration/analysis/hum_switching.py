"""Find the sample at which hum is switched or changes its level, if all else is noise.

The hum is fitted before and after, and each continued to the other. What is left without the one up
to a sample and without the other from there on, squared and summed, is least at the sample looked
for (Basseville and Nikiforov, Detection of Abrupt Changes, 1993, chapter 2; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

_FIT_S = 4.0
_ASIDE_HZ = 2.5
"""Distance from a harmonic at which the noise is measured."""

Array = NDArray[np.float64]
Phasors = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class HumSound:
    """The low band of a side, and its hum."""

    low: Sequence[NDArray[np.float16]]
    """The band in pieces, each of shape (samples, 2): a side's is too much to join."""
    rate_hz: float
    numbers: NDArray[np.int64]
    """Of the harmonics."""

    def changes_at(
        self, between_s: tuple[float, float], mains_hz: float, *, before: bool, after: bool
    ) -> float:
        """Return the time at which hum is switched, or changes its level.

        Parameters
        ----------
        between_s
            It is between these times.
        mains_hz
            Mains frequency there.
        before, after
            Whether the hum is on before and after.
        """
        first, last = (round(at_s * self.rate_hz) for at_s in between_s)
        first, last = max(0, first), min(last, int(self._ends[-1]))
        length = round(_FIT_S * self.rate_hz)
        gain = np.zeros(last - first)
        if after:
            gain += self._gain(first, last, last, mains_hz)
        if before:
            gain -= self._gain(first, last, max(0, first - length), mains_hz)
        return (first + int(np.concatenate(([0.0], np.cumsum(gain))).argmin())) / self.rate_hz

    def _gain(self, first: int, last: int, fit_from: int, mains_hz: float) -> Array:
        """Return by how much the hum from one place explains each sample of another."""
        lines_hz: Array = (self.numbers * mains_hz).astype(np.float64)
        sound = self._part(fit_from, fit_from + round(_FIT_S * self.rate_hz))
        hum = self._phasors(sound, fit_from, lines_hz)
        aside = [self._phasors(sound, fit_from, lines_hz + hz) for hz in (-_ASIDE_HZ, _ASIDE_HZ)]
        noise = np.square(np.abs(aside)).sum(axis=(0, 2)) + 1e-20
        total = np.zeros(last - first)
        at_s = np.arange(first, last) / self.rate_hz
        sound = self._part(first, last)
        for line_hz, phasor, around in zip(lines_hz, hum, noise, strict=True):
            wave = (np.exp(2j * np.pi * line_hz * at_s)[:, None] * phasor).real
            total += ((2 * sound - wave) * wave).sum(axis=1) / around
        return total

    @cached_property
    def _ends(self) -> NDArray[np.int64]:
        """The position after the last sample of each piece."""
        return np.cumsum([len(piece) for piece in self.low])

    def _part(self, first: int, last: int) -> Array:
        """Return the samples from one position to another, or to the end."""
        low, high = np.searchsorted(self._ends, (first, last), "right")
        begin = first - (int(self._ends[low - 1]) if low else 0)
        near = np.concatenate([np.zeros((0, 2), np.float16), *self.low[low : high + 1]])
        return near[begin : begin + last - first].astype(np.float64)

    def _phasors(self, sound: Array, first: int, lines_hz: Array) -> Phasors:
        """Return the phasors of lines, shape (lines, 2), from sound that begins at a sample."""
        shape = np.hanning(len(sound) + 2)[1:-1]
        at_s = np.arange(first, first + len(sound)) / self.rate_hz
        waves = shape * np.exp(-2j * np.pi * np.outer(lines_hz, at_s))
        phasors: Phasors = waves @ sound * (2 / shape.sum())
        return phasors
