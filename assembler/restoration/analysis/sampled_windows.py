"""Take short windows of a stream at regular intervals, and their spectra."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples


class SampledWindows:
    """Short windows of a stream at regular intervals.

    Parameters
    ----------
    samples
        Length of each window.
    step
        From the start of a window to that of the next, at least `samples`.

    Attributes
    ----------
    step
        May be changed between windows.
    start
        Position of the last window in the stream.
    """

    def __init__(self, samples: int, step: int) -> None:
        self._window = np.zeros((samples, 2), np.float32)
        self.step = step
        self.start = 0
        self._next = 0
        self._filled = 0
        self._to_skip = 0

    def feed(self, block: Samples) -> Iterator[Samples]:
        """Add a block and yield the windows that are complete, each valid until the next."""
        start = 0
        while start < len(block):
            skipped = min(self._to_skip, len(block) - start)
            self._to_skip -= skipped
            start += skipped
            piece = block[start : start + len(self._window) - self._filled]
            self._window[self._filled : self._filled + len(piece)] = piece
            self._filled += len(piece)
            start += len(piece)
            if self._filled == len(self._window):
                self._filled = 0
                self.start = self._next
                yield self._window
                self._next += self.step
                self._to_skip = self.step - len(self._window)


def window_samples(rate_hz: int, length_s: float) -> int:
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
