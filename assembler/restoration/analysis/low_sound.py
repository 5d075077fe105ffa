"""Keep the lowest 800 Hz of a side, from which rumble and print-through are read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples, Windows
from assembler.restoration.analysis.low_band import Decimator

_FRAME = 4096
"""Samples of a window at the low rate: 1.4 s."""
_FROM_HZ, BELOW_HZ = 3.0, 25.0


@dataclass(frozen=True, eq=False)
class LowSound:
    """The lowest frequencies of a side."""

    rate_hz: float
    """Sample rate of `mono`."""
    mono: NDArray[np.float16]
    """Mean of both channels at the low rate: half precision is 66 dB below each sample."""
    hz: NDArray[np.float64]
    """Frequencies below `BELOW_HZ`."""
    powers: NDArray[np.float64]
    """Mean square at each of them in windows with half overlap, shape (windows, frequencies)."""

    def window_s(self, number: int) -> tuple[float, float]:
        """Return start and end of a window in seconds."""
        start_s = number * _FRAME / 2 / self.rate_hz
        return start_s, start_s + _FRAME / self.rate_hz


class LowSoundMeter:
    """Meter that keeps the lowest frequencies of a stereo stream."""

    def __init__(self, rate_hz: int) -> None:
        self._band = Decimator(rate_hz)
        self._windows = Windows(_FRAME, _FRAME // 2)
        shape = np.hanning(_FRAME + 1)[:-1]
        self._shape = (shape / np.sqrt(_FRAME * np.square(shape).sum())).astype(np.float32)[:, None]
        hz = np.fft.rfftfreq(_FRAME, 1 / self._band.rate_hz)
        self._kept = np.flatnonzero((hz >= _FROM_HZ) & (hz < BELOW_HZ))
        self._hz: NDArray[np.float64] = hz[self._kept].astype(np.float64)
        self._mono: list[NDArray[np.float16]] = []
        self._powers: list[NDArray[np.float64]] = []

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        import scipy.fft

        low = self._band.feed(block)
        self._mono.append(low.mean(axis=1).astype(np.float16))
        for window in self._windows.feed(low):
            sound = (window - window.mean(axis=0)) * self._shape
            spectrum = scipy.fft.rfft(sound, axis=0)[self._kept]
            self._powers.append((spectrum.real**2 + spectrum.imag**2).sum(axis=1, dtype=float))

    def reading(self) -> LowSound:
        """Return the reading of all samples so far."""
        mono = np.concatenate([np.zeros(0, np.float16), *self._mono])
        powers = np.array(self._powers).reshape(-1, len(self._hz))
        return LowSound(self._band.rate_hz, mono, self._hz, powers)
