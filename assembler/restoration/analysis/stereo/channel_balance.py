"""Measure the channel balance of a side from the sound in the centre of the stereo image.

It is the most frequent level ratio of the coherent cells that are in phase. A deck that is out of
balance shifts everything: the centre then has one ratio in all bands and sections, most of the
sound is there, and the levels of the channels differ by about as much. Where any of that fails, the
loudest source may be panned, and the balance is not determined.
Bounds: tuned empirically on undamaged music of two game soundtracks, unchanged and with one channel
raised by known amounts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from assembler.restoration.analysis.stereo.cross_spectrum import CrossSpectrum, SourceCells
from assembler.restoration.analysis.stereo.interchannel_delay import TOO_LITTLE

_IN_PHASE_RAD = 0.2
_MODE_DB = 0.3
_FEWEST_CELLS = 12
_FEWEST_CELLS_OF_SIDE = 60
_WANDER_DB = 3.0
_WIDEST_DB = 70.0
_NEAR_DB, _NEAR_SHARE = 0.5, 0.4
"""Share of the weight that must be so near to the balance."""
_BANDS_HZ = (200.0, 450.0, 1000.0, 2000.0, 4000.0)
_BAND_WEIGHT = 0.1
"""Share of all weight; a band with less is not compared."""
_BAND_TOLERANCE_DB = 0.3
_SECTION_TOLERANCE_DB, _SECTION_SHARE = 0.3, 0.5
_LEVEL_TOLERANCE_DB = 1.0
"""Between the balance of the centre and that of the levels; undamaged music differs by more only
if one side of the image is louder."""

Array = NDArray[np.float64]
Balances = tuple[float | None, ...]


def channel_balance(
    hz: Array,
    sections: Sequence[CrossSpectrum],
    delays_s: Sequence[float | None],
    sign: int,
    levels_db: float,
) -> tuple[float | None, Balances, str]:
    """Measure by how much left is louder than right in the sound common to both.

    Parameters
    ----------
    hz, sections
        Centre of each band, and cross-spectrum of each section of the side.
    delays_s, sign
        Delay of the right channel in each section, and its polarity; a section without a delay does
        not count.
    levels_db
        By how much the left channel as a whole is louder.

    Returns
    -------
    balance_db, section_balances_db, reason
        The balance, or None and the reason why it is not determined; and that of each section.
    """
    cells_of = [
        _in_phase(hz, section, delay_s, sign)
        for section, delay_s in zip(sections, delays_s, strict=True)
    ]
    cells = SourceCells.joined(cells_of)
    balance_db = _mode_db(cells) if len(cells.weights) >= _FEWEST_CELLS_OF_SIDE else None
    if balance_db is None:
        return None, (None,) * len(sections), TOO_LITTLE
    section_balances_db = tuple(
        _mode_db(each.where(np.abs(each.ratios_db - balance_db) < _WANDER_DB)) for each in cells_of
    )
    if reason := _contradiction(hz, cells, balance_db, section_balances_db, levels_db):
        return None, (None,) * len(sections), reason
    return balance_db, section_balances_db, ""


def _contradiction(
    hz: Array, cells: SourceCells, balance_db: float, sections_db: Balances, levels_db: float
) -> str:
    """Return why a balance may be that of one source and not of the deck; empty if nothing does."""
    total = cells.weights.sum()
    near = cells.weights[np.abs(cells.ratios_db - balance_db) < _NEAR_DB].sum()
    if near < _NEAR_SHARE * total:
        return "too little of the sound is in the centre"
    if abs(balance_db - levels_db) > _LEVEL_TOLERANCE_DB:
        return "the loudest sound and the levels of the channels disagree"
    bands = np.searchsorted(_BANDS_HZ, hz[cells.bands])
    for band in range(1, len(_BANDS_HZ)):
        in_band = cells.where(bands == band)
        band_db = _mode_db(in_band)
        if in_band.weights.sum() < _BAND_WEIGHT * total or band_db is None:
            continue
        if abs(band_db - balance_db) > _BAND_TOLERANCE_DB:
            return "low and high frequencies disagree"
    known = np.array([each for each in sections_db if each is not None])
    if len(known) and np.mean(np.abs(known - balance_db) < _SECTION_TOLERANCE_DB) < _SECTION_SHARE:
        return "sections of the side disagree"
    return ""


def _in_phase(hz: Array, section: CrossSpectrum, delay_s: float | None, sign: int) -> SourceCells:
    """Return the cells whose source is in phase in both channels, delay and polarity corrected."""
    cells = SourceCells.joined(section.sources)
    if delay_s is None:
        return cells.where(np.zeros(len(cells.weights), bool))
    phases = cells.phases_rad - 2 * np.pi * hz[cells.bands] * delay_s
    return cells.where(sign * np.cos(phases) > math.cos(_IN_PHASE_RAD))


def _mode_db(cells: SourceCells) -> float | None:
    """Return the level ratio at which the weight of the cells is densest."""
    weights, ratios_db = cells.weights, cells.ratios_db
    if len(weights) < _FEWEST_CELLS:
        return None
    edges_db = np.arange(-_WIDEST_DB, _WIDEST_DB + 0.01, 0.02)
    counted, _ = np.histogram(ratios_db, edges_db, weights=weights)
    reach = np.arange(-4 * _MODE_DB, 4 * _MODE_DB, 0.02)
    density = np.convolve(counted, np.exp(-0.5 * (reach / _MODE_DB) ** 2), "same")
    mode_db = float(edges_db[density.argmax()])
    for _ in range(40):
        near = weights * np.exp(-0.5 * ((ratios_db - mode_db) / _MODE_DB) ** 2)
        mode_db = float(near @ ratios_db / near.sum())
    return mode_db
