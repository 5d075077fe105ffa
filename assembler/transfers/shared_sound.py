"""What both channels of a side share: by how much one is late or louder, and turned over or not.

Lateness is read by generalized cross-correlation with the maximum-likelihood weighting (Knapp and
Carter, "The generalized correlation method for estimation of time delay", IEEE Transactions on
Acoustics, Speech and Signal Processing 24(4), 1976, from memory): what counts is the phase between
the channels, and how coherent they are. The balance is the level ratio at which most of the
coherent cells in phase lie: that of the sources in the middle. Where there are none, or as many
elsewhere, it can't be told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from assembler.sound.blocks import Samples

MOST_LATE_US = 700.0
"""Offsets are searched up to here; a badly set head gives some 100 µs (common practice)."""
POLARITY_HZ = 500.0
"""Below, no offset that is likely turns the polarity over: half a turn takes 1000 µs."""
_BASS_SCATTER = 0.25
"""Standard deviation of a cell's correlation in unrelated noise (16 bins of a Hann window)."""
_ONE_PHASE_RAD = 0.2
_FEWEST_CELLS = 12
_WANDER_US = 80.0
"""How far from the whole side's offset that of a stretch is looked for."""
_MODE_DB = 0.3
_BALANCE_WANDER_DB = 3.0
_CLEAR = 0.2
"""Share of all weight that must agree on an offset."""
_DEVIATIONS = 5.5
_GRID_US = 5.0
_LEAST_SURE_US = 3.0
"""Standard error beyond which an offset isn't told."""
_HALVES_APART_DB = 0.3
"""Of a balance that can be told, as read in every other stretch and in the rest."""
_WIDEST_DB = 70.0

_FEWEST_STRETCHES = 8
_FAINT = 1e-4
"""Of the loudest stretch: noise below this says nothing of the balance of the sound."""
_STEADY_DB = 0.3
"""Between the quarters of a level difference that a deck makes; music's own wanders more."""

Array = NDArray[np.float64]


@dataclass
class Stretch:
    """What the cells of one stretch of the course tell; `told` has a row for each single source.

    Attributes
    ----------
    phasors
        Phase of left against right in each band, weighted by coherence.
    weight
        Sum of these weights.
    squares
        Sum of their squares.
    bass, bass_cells
        Sum of the correlations of all cells below `POLARITY_HZ`, and their number.
    told
        Of each cell that holds a single source: band, weight, level ratio in dB, phase in radians.
    """

    phasors: NDArray[np.complex128]
    weight: float = 0.0
    squares: float = 0.0
    bass: float = 0.0
    bass_cells: int = 0
    told: list[Samples] = field(default_factory=list)


def _turned(hz: Array, phasors: NDArray[np.complex128], late_s: Array) -> Array:
    """Give the generalized cross-correlation of the channels at some offsets."""
    turns = np.exp(-2j * np.pi * late_s[:, None] * hz[None, :])
    correlation: Array = (turns @ phasors).real
    return correlation


def _at_the_top(hz: Array, phasors: NDArray[np.complex128], late_s: float) -> float:
    """Go from near the top of the correlation, made positive, to the top (Newton)."""
    omega = 2 * np.pi * hz
    for _ in range(6):
        turned = phasors * np.exp(-1j * omega * late_s)
        curvature = float(turned.real @ omega**2)
        if curvature <= 0:
            break
        late_s += float(turned.imag @ omega) / curvature
    return late_s


def together(course: Sequence[Stretch]) -> Stretch:
    """Add up what the stretches tell."""
    whole = Stretch(np.zeros_like(course[0].phasors))
    for stretch in course:
        whole.phasors += stretch.phasors
        whole.weight += stretch.weight
        whole.squares += stretch.squares
        whole.bass += stretch.bass
        whole.bass_cells += stretch.bass_cells
        whole.told += stretch.told
    return whole


def lateness(hz: Array, side: Stretch) -> tuple[float, int] | None:
    """Find by how much the right is late, in seconds, and the sign of its polarity."""
    late_s = np.arange(-MOST_LATE_US, MOST_LATE_US + 1, _GRID_US) * 1e-6
    correlation = _turned(hz, side.phasors, late_s)
    best = int(np.abs(correlation).argmax())
    if not abs(correlation[best]) > _least_correlation(side):
        return None
    sign = 1 if correlation[best] > 0 else -1
    return _at_the_top(hz, sign * side.phasors, float(late_s[best])), sign


def bass_sign(side: Stretch) -> int:
    """Tell the polarity by the bass alone, where no lateness is clear; 0 if it can't be told."""
    if abs(side.bass) <= _DEVIATIONS * _BASS_SCATTER * math.sqrt(side.bass_cells):
        return 0
    return 1 if side.bass > 0 else -1


def is_sure(hz: Array, stretch: Stretch, late_s: float, sign: int) -> bool:
    """Tell whether an offset is known well enough, by how far the phases of its cells scatter."""
    correlation = sign * float(_turned(hz, stretch.phasors, np.array([late_s]))[0])
    sizes = np.abs(stretch.phasors)
    if correlation <= 0:
        return False
    spread = max(0.0, 1 - correlation / stretch.weight)
    omega_squared = float(sizes @ (2 * np.pi * hz) ** 2 / sizes.sum())
    error_s = math.sqrt(stretch.squares * spread / 2 / omega_squared) / correlation
    return error_s * 1e6 < _LEAST_SURE_US


def _least_correlation(stretch: Stretch) -> float:
    """Give what a correlation must exceed, that phases at random reach once in 10,000 sides."""
    return max(_CLEAR * stretch.weight, _DEVIATIONS * math.sqrt(stretch.squares / 2))


def course_offset_us(hz: Array, stretch: Stretch, late_s: float, sign: int) -> float | None:
    """Find the offset of one stretch near that of the side."""
    near_s = late_s + np.arange(-_WANDER_US, _WANDER_US + 1, _GRID_US) * 1e-6
    correlation = sign * _turned(hz, stretch.phasors, near_s)
    best = int(correlation.argmax())
    if not correlation[best] > _least_correlation(stretch):
        return None
    found_s = _at_the_top(hz, sign * stretch.phasors, float(near_s[best]))
    return found_s * 1e6 if is_sure(hz, stretch, found_s, sign) else None


def drift(offsets_us: Sequence[float | None]) -> float | None:
    told = np.array([offset for offset in offsets_us if offset is not None])
    if len(told) < 3:
        return None
    middles = np.median(np.stack((told[:-2], told[1:-1], told[2:])), axis=0)
    return float(middles.max() - middles.min())


def balances(
    hz: Array, course: Sequence[Stretch], late_s: float, sign: int
) -> tuple[float | None, tuple[float | None, ...]]:
    """Find the level ratio of what both channels share, over the side and in its course.

    It is told only if every other stretch and the rest tell the same: among sources at all sides,
    which of them is heard most is chance.
    """
    told = [_shared(hz, stretch, late_s, sign) for stretch in course]
    whole_db = _usual(np.concatenate(told))
    if len(told) > 1:
        halves_db = [_usual(np.concatenate(told[first::2])) for first in (0, 1)]
        known_db = [half_db for half_db in halves_db if half_db is not None]
        if len(known_db) == 2 and np.ptp(known_db) > _HALVES_APART_DB:
            whole_db = None
    if whole_db is None:
        return None, (None,) * len(course)
    near = [cells[np.abs(cells[:, 1] - whole_db) < _BALANCE_WANDER_DB] for cells in told]
    return whole_db, tuple(_usual(cells) for cells in near)


def steady_difference(levels: Array) -> float | None:
    """Give the level of left above right in dB where it is nearly the same all through a side.

    Music without a middle tells no balance by what both channels share; but where ten seconds after
    ten seconds differ by the same amount, songs and rests alike, that is the deck and not the music
    (common practice, no source). `levels`: power of left and right in each stretch, shape (n, 2).
    """
    loud = levels.min(axis=1, initial=np.inf) > levels.max(initial=0.0) * _FAINT
    if np.count_nonzero(loud) < _FEWEST_STRETCHES:
        return None
    ratios_db = 10 * np.log10(levels[loud, 0] / levels[loud, 1])
    low_db, middle_db, high_db = np.percentile(ratios_db, (25, 50, 75))
    return float(middle_db) if high_db - low_db < _STEADY_DB else None


def _shared(hz: Array, stretch: Stretch, late_s: float, sign: int) -> Array:
    """Give weight and level ratio of the cells whose source is in phase in both channels."""
    told = np.concatenate(stretch.told).astype(np.float64)
    phases = told[:, 3] - 2 * np.pi * hz[told[:, 0].astype(np.intp)] * late_s
    shared: Array = told[sign * np.cos(phases) > math.cos(_ONE_PHASE_RAD), 1:3]
    return shared


def _usual(cells: Array) -> float | None:
    """Give the level ratio around which most of the weight lies."""
    if len(cells) < _FEWEST_CELLS:
        return None
    weights, ratios_db = cells.T
    edges_db = np.arange(-_WIDEST_DB, _WIDEST_DB + 0.01, 0.02)
    counted, _ = np.histogram(ratios_db, edges_db, weights=weights)
    reach = np.arange(-4 * _MODE_DB, 4 * _MODE_DB, 0.02)
    density = np.convolve(counted, np.exp(-0.5 * (reach / _MODE_DB) ** 2), "same")
    usual_db = float(edges_db[density.argmax()])
    for _ in range(40):
        near = weights * np.exp(-0.5 * ((ratios_db - usual_db) / _MODE_DB) ** 2)
        usual_db = float(near @ ratios_db / near.sum())
    return usual_db
