"""Levels in third-octave bands: base-ten mid-band frequencies, IEC 61260-1 (from memory).

The power spectrum is Welch's mean of Hann windows of 1 s (IEEE Transactions on Audio and
Electroacoustics 15, 1967).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples, Windows

NOMINAL_HZ = (
    25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600,
    2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
)  # fmt: skip
FLOOR_DB = -120.0
"""Shown for silence and everything below this level."""
MID_HZ = 1000 * 10 ** (np.arange(-16, 14) / 10)
_HALF_BAND = 10 ** (1 / 20)


def third_octaves(sound: Samples, rate_hz: int) -> NDArray[np.float64]:
    """Measure the level in each third octave.

    Parameters
    ----------
    sound
        Shape (frames, channels).
    rate_hz
        Sample rate.

    Returns
    -------
    ndarray, shape (30,)
        Mean square of all channels in dBFS, one value for each of `NOMINAL_HZ`.

    Examples
    --------
    >>> tone = 0.1 * np.sin(2 * np.pi * 1000 / 48000 * np.arange(96000))[:, None]
    >>> [round(float(db), 1) for db in third_octaves(tone, 48000)[[14, 16, 18]]]
    [-120.0, -23.0, -120.0]
    """
    from scipy.signal import welch

    if len(sound) < 2:
        return np.full(len(NOMINAL_HZ), FLOOR_DB)
    window = min(len(sound), rate_hz)
    hz, density = welch(sound, rate_hz, nperseg=window, detrend=False, axis=0)
    return _band_levels_db(hz, density.mean(axis=1))


def long_term_third_octaves(blocks: Iterable[Samples], rate_hz: int) -> NDArray[np.float64]:
    """Measure the level in each third octave of a whole stream; see `third_octaves`.

    Parameters
    ----------
    blocks
        Stereo blocks.
    rate_hz
        Sample rate.
    """
    windows, shape = Windows(rate_hz, rate_hz // 2), np.hanning(rate_hz + 1)[:-1, None]
    density, count = np.zeros(rate_hz // 2 + 1), 0
    for block in blocks:
        for window in windows.feed(block):
            density += (np.abs(np.fft.rfft(window * shape, axis=0)) ** 2).mean(axis=1)
            count += 1
    if not count:
        return third_octaves(windows.rest, rate_hz)
    density *= 2 / (rate_hz * float((shape**2).sum()) * count)
    return _band_levels_db(np.arange(len(density)) * rate_hz / len(shape), density)


def _band_levels_db(hz: NDArray[np.float64], density: NDArray[np.float64]) -> NDArray[np.float64]:
    below = np.concatenate(([0.0], np.cumsum(density * hz[1])))
    edges = np.append(hz, hz[-1] + hz[1]) - hz[1] / 2
    low, high = (np.interp(MID_HZ * by, edges, below) for by in (1 / _HALF_BAND, _HALF_BAND))
    found: NDArray[np.float64] = 10 * np.log10(np.maximum(high - low, 10 ** (FLOOR_DB / 10)))
    return found
