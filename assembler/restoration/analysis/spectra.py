"""Measure short spectra of a stream."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples, Windows

_AT_ONCE = 8
"""Windows that are transformed at once: four or more cost less than half as much each."""


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


class Spectra:
    """Spectra of left + j·right in windows of a stereo stream, some windows at once.

    Parameters
    ----------
    size, step
        Length of a window in samples, and the distance from the start of one to that of the next.
    shape
        The window function; None for a rectangle.
    """

    def __init__(self, size: int, step: int, shape: Samples | None = None) -> None:
        self._windows = Windows(size, step)
        self._shape = None if shape is None else np.repeat(shape, 2)
        self._batch = np.empty((_AT_ONCE, 2 * size), np.float32)
        self._filled = 0

    def feed(self, block: Samples) -> Iterator[NDArray[np.complex64]]:
        """Add the next samples, shape (frames, 2), and yield spectra, shape (windows, size).

        They are valid until the next ones are asked for.
        """
        for window in self._windows.feed(block):
            flat, place = window.reshape(-1), self._batch[self._filled]
            if self._shape is None:
                place[:] = flat
            else:
                np.multiply(flat, self._shape, out=place)
            self._filled += 1
            if self._filled == _AT_ONCE:
                yield from self.rest()

    def rest(self) -> Iterator[NDArray[np.complex64]]:
        """Yield the spectra of the last complete windows, if there are any."""
        import scipy.fft

        if self._filled:
            waiting = self._batch[: self._filled].view(np.complex64)
            self._filled = 0
            yield scipy.fft.fft(waiting, overwrite_x=True)
