"""The balance of a side: by how much the left is louder in what stands in the middle.

It is the level ratio at which most of the coherent cells in phase lie. A deck that is out of
balance shifts everything: the middle is then at one ratio in all bands and stretches, most of what
is heard lies there, and the levels of the channels differ by about as much. Where any of that
fails, a source at one side may be what is loudest, and the balance is not determined.
Bounds: tuned empirically on undamaged music of two game soundtracks, as it is and with one channel
raised by known amounts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from assembler.restoration.analysis.interchannel_delay import TOO_LITTLE, Stretch

_ONE_PHASE_RAD = 0.2
_MODE_DB = 0.3
_FEWEST_CELLS = 12
_FEWEST_IN_ALL = 60
_WANDER_DB = 3.0
_WIDEST_DB = 70.0
_NEAR_DB, _NEAR_SHARE = 0.5, 0.4
"""So much of the weight must lie so near to the balance."""
_BANDS_HZ = (200.0, 450.0, 1000.0, 2000.0, 4000.0)
_BAND_WEIGHT = 0.1
"""Share of all weight; a band with less is not asked."""
_BANDS_APART_DB = 0.3
_STRETCHES_APART_DB, _STRETCHES_SHARE = 0.3, 0.5
_LEVELS_APART_DB = 1.0
"""Between the balance of the middle and that of the levels; undamaged music differs by more only
where one side plays louder."""

Array = NDArray[np.float64]
Course = tuple[float | None, ...]


def shared_balance(
    hz: Array, course: Sequence[Stretch], late_s: float, sign: int, levels_db: float
) -> tuple[float | None, Course, str]:
    """Find by how much the left is louder in what both channels share.

    Parameters
    ----------
    hz
        Middle of each band.
    course
        What each stretch of the side holds.
    late_s, sign
        Of the right channel.
    levels_db
        By how much the left channel as a whole is louder.

    Returns
    -------
    balance_db, course_db, why
        The balance, None with the reason if it is not determined; and that of each stretch.
    """
    told = [_in_phase(hz, stretch, late_s, sign) for stretch in course]
    cells = np.concatenate(told)
    balance_db = _usual(cells) if len(cells) >= _FEWEST_IN_ALL else None
    if balance_db is None:
        return None, (None,) * len(course), TOO_LITTLE
    near = [c[np.abs(c[:, 2] - balance_db) < _WANDER_DB] for c in told]
    course_db = tuple(_usual(c) for c in near)
    if why := _doubt(hz, cells, balance_db, course_db, levels_db):
        return None, (None,) * len(course), why
    return balance_db, course_db, ""


def _doubt(hz: Array, cells: Array, balance_db: float, course_db: Course, levels_db: float) -> str:
    """Return why a balance may be that of one source and not of the deck; empty if it can't."""
    weights, ratios_db = cells[:, 1], cells[:, 2]
    near = weights[np.abs(ratios_db - balance_db) < _NEAR_DB].sum()
    if near < _NEAR_SHARE * weights.sum():
        return "too little of the sound stands in the middle"
    if abs(balance_db - levels_db) > _LEVELS_APART_DB:
        return "the loudest sound and the levels of the channels disagree"
    bands = np.searchsorted(_BANDS_HZ, hz[cells[:, 0].astype(np.intp)])
    for band in range(1, len(_BANDS_HZ)):
        of_band = cells[bands == band]
        band_db = _usual(of_band)
        if of_band[:, 1].sum() < _BAND_WEIGHT * weights.sum() or band_db is None:
            continue
        if abs(band_db - balance_db) > _BANDS_APART_DB:
            return "low and high frequencies disagree"
    known = np.array([each for each in course_db if each is not None])
    if len(known) and np.mean(np.abs(known - balance_db) < _STRETCHES_APART_DB) < _STRETCHES_SHARE:
        return "stretches of the side disagree"
    return ""


def _in_phase(hz: Array, stretch: Stretch, late_s: float, sign: int) -> Array:
    """Return band, weight and level ratio of each cell whose source is in phase in both."""
    if not stretch.told:
        return np.zeros((0, 3))
    told = np.concatenate(stretch.told).astype(np.float64)
    phases = told[:, 3] - 2 * np.pi * hz[told[:, 0].astype(np.intp)] * late_s
    shared: Array = told[sign * np.cos(phases) > math.cos(_ONE_PHASE_RAD), :3]
    return shared


def _usual(cells: Array) -> float | None:
    """Return the level ratio around which most of the weight lies."""
    if len(cells) < _FEWEST_CELLS:
        return None
    weights, ratios_db = cells[:, 1], cells[:, 2]
    edges_db = np.arange(-_WIDEST_DB, _WIDEST_DB + 0.01, 0.02)
    counted, _ = np.histogram(ratios_db, edges_db, weights=weights)
    reach = np.arange(-4 * _MODE_DB, 4 * _MODE_DB, 0.02)
    density = np.convolve(counted, np.exp(-0.5 * (reach / _MODE_DB) ** 2), "same")
    usual_db = float(edges_db[density.argmax()])
    for _ in range(40):
        near = weights * np.exp(-0.5 * ((ratios_db - usual_db) / _MODE_DB) ** 2)
        usual_db = float(near @ ratios_db / near.sum())
    return usual_db
