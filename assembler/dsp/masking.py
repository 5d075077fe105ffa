"""How much of a distortion is above the masking threshold of the sound that it is in.

J. D. Johnston, "Transform Coding of Audio Signals Using Perceptual Noise Criteria", IEEE J. Sel.
Areas Commun. 6(2), 1988, with the spreading function of M. R. Schroeder, B. S. Atal and J. L. Hall,
J. Acoust. Soc. Am. 66, 1979 (both from memory): energies of the critical bands, spread over their
neighbours, and lowered by 5.5 dB where the spectrum is noise, by 14.5 dB and the band's number
where it is tones. Left out is the threshold in quiet, which depends on the playback level: so what
is reported is rather too much.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

BARK_EDGES_HZ = (
    0, 100, 200, 300, 400, 510, 630, 770, 920, 1080, 1270, 1480, 1720, 2000, 2320, 2700, 3150, 3700,
    4400, 5300, 6400, 7700, 9500, 12000, 15500,
)  # fmt: skip
"""Edges of the critical bands (Zwicker, 1961; from memory)."""
_FRAME_S = 2048 / 44100
_TONAL_DB = -60.0
"""Spectral flatness of a spectrum of tones."""
_TINY = 1e-30

Floats = NDArray[np.float64]


def frame_size(rate_hz: int) -> int:
    """Return the frame's length in samples: the power of two next to 2048 at 44.1 kHz."""
    return 1 << round(math.log2(_FRAME_S * rate_hz))


@functools.cache
def _band_starts(size: int, rate_hz: int) -> NDArray[np.intp]:
    starts = np.ceil(np.array(BARK_EDGES_HZ) * size / rate_hz).astype(np.intp)
    return starts[starts <= size // 2]


@functools.cache
def _spreading(count: int) -> Floats:
    """Return the share of each band's energy in each band, rows adding up to one."""
    apart = np.subtract.outer(np.arange(count), np.arange(count)) + 0.474
    spread: Floats = 10 ** ((15.81 + 7.5 * apart - 17.5 * np.sqrt(1 + apart**2)) / 10)
    spread /= spread.sum(axis=1, keepdims=True)
    return spread


def bands_above_masking(sound: Floats, distortion: Floats, rate_hz: int) -> tuple[int, int]:
    """Count the critical bands of a frame in which a distortion is above the masking threshold.

    What the distortion has in common with the sound is a change of level, and is left out.

    Parameters
    ----------
    sound, distortion
        One channel each, `frame_size` samples.
    rate_hz
        Sample rate.

    Returns
    -------
    above, bands
        How many are above it, and how many there are.
    """
    window = np.hanning(len(sound))
    sound, distortion = sound * window, distortion * window
    power = float(sound @ sound)
    if power > 0:
        distortion = distortion - (distortion @ sound) / power * sound
    starts = _band_starts(len(sound), rate_hz)
    spectra = [np.abs(np.fft.rfft(one)) ** 2 for one in (sound, distortion)]
    masker, energy = (np.add.reduceat(one, starts) for one in spectra)
    bins = spectra[0][1:] + _TINY
    flatness_db = 10 * np.log10(np.exp(np.log(bins).mean()) / bins.mean())
    tonality = min(flatness_db / _TONAL_DB, 1.0)
    numbers = np.arange(1, len(starts) + 1)
    offset_db = tonality * (14.5 + numbers) + (1 - tonality) * 5.5
    threshold = _spreading(len(starts)) @ masker * 10 ** (-offset_db / 10)
    return int((energy > threshold + _TINY).sum()), len(starts)
