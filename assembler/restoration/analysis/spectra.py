"""Measure short spectra of a stream."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples


def window_samples(rate_hz: float, length_s: float) -> int:
    """Return the power of two nearest to a length."""
    return int(2 ** round(np.log2(length_s * rate_hz)))


def spectrum_of_both(window: Samples, shape: Samples) -> NDArray[np.complex64]:
    """Return the Fourier transform of left + j·right: both channels in one transform."""
    import scipy.fft

    both = window.view(np.complex64)[:, 0] * shape
    spectrum: NDArray[np.complex64] = scipy.fft.fft(both, overwrite_x=True)
    return spectrum


def hann(samples: int) -> Samples:
    """Return a periodic Hann window."""
    turn = 2 * np.pi * np.arange(samples) / samples
    return (0.5 - 0.5 * np.cos(turn)).astype(np.float32)
