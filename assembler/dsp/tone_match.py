"""The EQ bands that bring one long-term spectrum towards another.

Third-octave spectra, smoothed and limited, as in Z. Ma, J. D. Reiss and D. A. A. Black,
"Implementation of an Intelligent Equalization Tool Using Yule-Walker for Music Mixing and
Mastering", AES Convention 134, 2013 (from memory); here the bands are bells one octave apart, which
a person can read and edit, fitted by least squares. Strengths tuned empirically on made music.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.equaliser import FilterBand, response_db
from assembler.dsp.third_octaves import FLOOR_DB, MID_HZ

LEAST_HZ, MOST_HZ = 90.0, 11_000.0
"""Spectra are compared in the third octaves from 100 Hz to 10 kHz."""
MOST_DB = 4.0
"""Strongest correction at any frequency."""
LIKE_DB = 0.5
"""Spectra at this distance are alike: nothing is corrected."""
_BELLS_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
_Q = 1.2
_LEAST_BELL_DB = 0.3
_SMOOTHING = np.array([1, 2, 3, 2, 1]) / 9
_ROUNDS = 4
_DAMPING = 0.3
"""Weight of small gains in the fit: a common gain of all bells is only level."""

Levels = NDArray[np.float64]
"""In dB, one per third octave."""


def _compared(levels: Levels, reference: Levels, rate_hz: int) -> NDArray[np.bool_]:
    """Return the third octaves in which both have sound."""
    within = (MID_HZ > LEAST_HZ) & (min(MOST_HZ, 0.44 * rate_hz) > MID_HZ)
    return within & (levels > FLOOR_DB) & (reference > FLOOR_DB)


def _difference(levels: Levels, reference: Levels, compared: NDArray[np.bool_]) -> Levels:
    """Return by how much the reference is above the levels, the mean removed."""
    apart = reference[compared] - levels[compared]
    apart -= apart.mean()
    return apart


def spectral_distance(levels: Levels, reference: Levels, rate_hz: int) -> float | None:
    """Return the RMS of two spectra's differences, level removed; None without common sound."""
    compared = _compared(levels, reference, rate_hz)
    if compared.sum() < len(_SMOOTHING):
        return None
    return float(np.sqrt((_difference(levels, reference, compared) ** 2).mean()))


def mean_tone(spectra: Sequence[Levels]) -> Levels:
    """Return the mean of spectra in dB, each with the same level between 100 Hz and 10 kHz."""
    if len(spectra) == 1:
        return spectra[0]
    compared = np.all([(one > FLOOR_DB) for one in spectra], axis=0)
    compared &= (MID_HZ > LEAST_HZ) & (MID_HZ < MOST_HZ)
    if not compared.any():
        return np.full(len(MID_HZ), FLOOR_DB)
    levelled = np.mean([one - one[compared].mean() for one in spectra], axis=0)
    return np.where(compared, levelled, FLOOR_DB)


def matching_bands(levels: Levels, reference: Levels, rate_hz: int) -> tuple[FilterBand, ...]:
    """Return bells that bring third-octave levels towards those of a reference.

    Returns
    -------
    tuple of FilterBand
        With gains in tenths of a dB; none where the spectra are alike, or no bell brings them
        closer.
    """
    before_db = spectral_distance(levels, reference, rate_hz)
    if before_db is None or before_db <= LIKE_DB:
        return ()
    compared = _compared(levels, reference, rate_hz)
    target = np.clip(_smoothed(_difference(levels, reference, compared)), -MOST_DB, MOST_DB)
    hz = MID_HZ[compared]
    bells = [one for one in _BELLS_HZ if hz[0] <= one <= hz[-1]]
    gains = _fitted(bells, hz, target, rate_hz)
    bands = tuple(
        FilterBand("bell", one, round(float(gain), 1), _Q)
        for one, gain in zip(bells, gains, strict=True)
        if abs(gain) >= _LEAST_BELL_DB
    )
    after_db = spectral_distance(corrected(levels, bands, rate_hz), reference, rate_hz)
    return bands if after_db is not None and after_db < before_db else ()


def corrected(levels: Levels, bands: Sequence[FilterBand], rate_hz: int) -> Levels:
    """Return third-octave levels after EQ bands."""
    changed = levels.copy()
    below = 0.44 * rate_hz > MID_HZ
    changed[below] += response_db(bands, MID_HZ[below], rate_hz)
    return changed


def _smoothed(apart: Levels) -> Levels:
    """Return the mean over an octave or so, of what there is at the ends."""
    smooth, weight = (np.convolve(one, _SMOOTHING, "same") for one in (apart, np.ones(len(apart))))
    return np.asarray(smooth / weight)


def _fitted(bells: Sequence[float], hz: Levels, target: Levels, rate_hz: int) -> Levels:
    """Return the gains whose response is nearest to the target, and never beyond the limit."""
    shapes = np.stack(
        [response_db([FilterBand("bell", one, 1.0, _Q)], hz, rate_hz) for one in bells], axis=1
    )
    shapes -= shapes.mean(axis=0)
    damped = np.concatenate((shapes, _DAMPING * np.eye(len(bells))))
    gains = np.zeros(len(bells))

    def response() -> Levels:
        bands = [FilterBand("bell", f, g, _Q) for f, g in zip(bells, gains, strict=True)]
        return response_db(bands, hz, rate_hz)

    for _ in range(_ROUNDS):
        got = response()
        wanted = np.concatenate((target - (got - got.mean()), -_DAMPING * gains))
        step, *_ = np.linalg.lstsq(damped, wanted, rcond=None)
        gains = np.clip(gains + step, -MOST_DB, MOST_DB)
    strongest_db = np.abs(response()).max()
    return gains * min(1.0, (MOST_DB - 0.1) / strongest_db) if strongest_db else gains
