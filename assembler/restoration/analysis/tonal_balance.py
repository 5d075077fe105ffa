"""Measure how loud bass and treble are against the middle: octaves around 40 Hz, 1 and 10 kHz."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.spectra import Spectra, hann, window_samples

_WINDOW_S, _STEP_S = 0.35, 1.0
_OCTAVES_HZ = (40.0, 1000.0, 10_000.0)


@dataclass(frozen=True)
class TonalBalanceReading:
    """Level of an octave of bass and one of treble re the octave around 1 kHz, in dB.

    None where either is silent, or beyond half the sample rate.
    """

    bass_db: float | None
    """Around 40 Hz."""
    treble_db: float | None
    """Around 10 kHz."""


NO_BALANCE = TonalBalanceReading(None, None)


class TonalBalanceMeter:
    """Meter of the tonal balance of a stereo stream, from one window per second."""

    def __init__(self, rate_hz: int) -> None:
        size = window_samples(rate_hz, _WINDOW_S)
        self._spectra = Spectra(size, round(_STEP_S * rate_hz), hann(size))
        hz = np.abs(np.fft.fftfreq(size, 1 / rate_hz))
        self._octaves = [np.abs(np.log2(np.maximum(hz, 1) / at)) < 0.5 for at in _OCTAVES_HZ]
        self._powers: NDArray[np.float64] = np.zeros(len(_OCTAVES_HZ))

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        for spectra in self._spectra.feed(block):
            self._add(spectra)

    def _add(self, spectra: NDArray[np.complex64]) -> None:
        for spectrum in spectra:
            power = spectrum.real**2 + spectrum.imag**2
            self._powers += [power[octave].sum() for octave in self._octaves]

    def reading(self) -> TonalBalanceReading:
        """Return the reading of all samples so far."""
        for spectra in self._spectra.rest():
            self._add(spectra)
        bass, middle, treble = self._powers
        return TonalBalanceReading(_ratio_db(bass, middle), _ratio_db(treble, middle))


def _ratio_db(power: float, middle: float) -> float | None:
    return float(10 * np.log10(power / middle)) if power > 0 and middle > 0 else None
