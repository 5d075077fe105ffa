"""Default fades of a track cut from a side, so that hiss does not end abruptly in silence."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from assembler.audio import Recording

FADE_IN_S = Fraction(1, 100)
FADE_OUT_S = Fraction(1, 20)
"""Long enough not to click, too short to be audible (from memory: common practice)."""
LONGEST_S = Fraction(1, 2)
"""Longest fade over the hiss of a pause."""
_LOUDEST_HISS_DBFS = -40.0
_STEADY_DB = 3.0
"""A decaying note falls by more than this in 0.5 s, unless its reverberation lasts 10 s."""
_NOISE_FLATNESS = 0.3
"""Spectral flatness of tape hiss is 0.5 or more, of held notes 0.1 or less. Tuned empirically on
hiss with the spectral slopes of tape and on the demo's side."""
_BAND_HZ = (100, 8000)
_STEP_S = 0.02


def default_fades(recording: Recording, start: int, end: int) -> tuple[Fraction, Fraction]:
    """Return the durations of the fades in and out of a section, in seconds.

    Parameters
    ----------
    recording
        The side, restored.
    start, end
        First sample of the section and the one after its last.
    """
    span = min(int(LONGEST_S * recording.rate_hz), (end - start) // 2)
    head, tail = (
        np.concatenate([np.zeros((0, 2), np.float32), *recording.blocks(first, first + span)])
        for first in (start, end - span)
    )
    hiss_in = Fraction(hiss_samples(head, recording.rate_hz), recording.rate_hz)
    hiss_out = Fraction(hiss_samples(tail[::-1], recording.rate_hz), recording.rate_hz)
    most_s = Fraction(span, recording.rate_hz)
    return min(max(FADE_IN_S, hiss_in), most_s), min(max(FADE_OUT_S, hiss_out), most_s)


def hiss_samples(samples: NDArray[np.floating], rate_hz: int) -> int:
    """Return how many samples at the start of a sound are steady noise and nothing else.

    Parameters
    ----------
    samples
        Shape (frames, channels); half a second is enough.
    rate_hz
        Sample rate.
    """
    step = round(_STEP_S * rate_hz)
    count = len(samples) // step
    if count < 5:
        return 0
    windows = samples[: count * step].astype(np.float64).reshape(count, step, -1)
    levels_db = 10 * np.log10((windows**2).mean(axis=1).max(axis=1) + 1e-20)
    edge_db = float(np.median(levels_db[:5]))
    loud = np.flatnonzero(np.abs(levels_db - edge_db) > _STEADY_DB)
    steady = int(loud[0]) if len(loud) else count
    if edge_db > _LOUDEST_HISS_DBFS or steady < 5:
        return 0
    return steady * step if _flatness(windows[:steady], rate_hz) >= _NOISE_FLATNESS else 0


def _flatness(windows: NDArray[np.float64], rate_hz: int) -> float:
    """Return the spectral flatness (geometric over arithmetic mean of the power spectrum)."""
    taper = np.hanning(windows.shape[1])[None, :, None]
    power = (np.abs(np.fft.rfft(windows * taper, axis=1)) ** 2).mean(axis=(0, 2))
    hz = np.fft.rfftfreq(windows.shape[1], 1 / rate_hz)
    band = power[(hz >= _BAND_HZ[0]) & (hz <= _BAND_HZ[1])]
    if not band.any():
        return 0.0
    return float(np.exp(np.log(band + 1e-30).mean()) / band.mean())
