"""Interchannel delay and polarity of a side, from what both channels share.

The delay is read by generalized cross-correlation (GCC) with the maximum-likelihood weighting
(Knapp and Carter, "The generalized correlation method for estimation of time delay", IEEE
Transactions on Acoustics, Speech and Signal Processing 24(4), 1976, from memory): what counts is
the phase between the channels, and how coherent they are.

A head that stands askew makes all sound late by the same time: every stretch, every frequency.
Microphones, panned echoes and widened stereo don't. So a delay is known only where nearly all that
the channels share agrees on it; in all other cases it is not determined, and the reason is named.
Bounds: tuned empirically on undamaged music of two game soundtracks, as it is and with known
delays, and on mixtures of it with spaced microphones, echoes and widened sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples

MOST_LATE_US = 700.0
"""Offsets are searched up to here; a badly set head gives some 100 µs (common practice)."""
POLARITY_HZ = 500.0
"""Below, no offset that is likely turns the polarity over: half a turn takes 1000 µs."""
WANDERS_US = 10.0
"""Stretches that differ by more have no common value: one value makes some of them worse."""
_BASS_SCATTER = 0.25
"""Standard deviation of a cell's correlation in unrelated noise (16 bins of a Hann window)."""
_LEAST_BASS = 0.1
"""Mean correlation of the bass, below which its sign says nothing."""
_LEAST_BOTH, _LEAST_CORRELATION = 0.3, 0.35
"""Correlation of all samples, with a known delay and without: below, wide and widened stereo, and
crosstalk of the wrong sign, can have either sign."""
_BASS_STRETCHES = 0.75
"""Share of the stretches whose bass must be of one sign."""
_AGREE = 0.5
"""Share of all weight that must agree on an offset."""
_DEVIATIONS = 5.5
_GRID_US = 5.0
_LEAST_SURE_US = 3.0
_STRETCH_SURE_US = 5.0
"""Standard errors beyond which an offset isn't determined, of a side and of a stretch."""
_PART_US = 80.0
"""How far from the side's offset that of a part is looked for."""
_BANDS_HZ = ((600.0, 1500.0), (1500.0, 3000.0), (3000.0, 6000.0), (6000.0, 20_000.0))
_BAND_RAD = 0.15
"""A band by itself may turn by this against the offset of all."""
_FEWEST_BANDS = 2
_SOURCES_HZ = 700.0
"""Single sources below say too little of a delay."""
_FEWEST_SOURCES = 20
_SOURCE_RAD = 0.3
_SOURCES_AGREE = 0.5
"""Share of the single sources that must have the offset of all …"""
_RIVAL = 0.16
"""… and that may have another one, `_RIVAL_US` and more away."""
_RIVAL_US = 40.0
_FEWEST_STRETCHES = 3
_LEAST_STRETCHES = 0.5
"""Share of the stretches that must have an offset of their own."""
_NEAR = 0.9
"""Share of these that must lie within `WANDERS_US` of the middle one, but for their errors."""

TOO_LITTLE = "the channels share too little sound"

Array = NDArray[np.float64]


@dataclass
class Stretch:
    """What the cells of one stretch of the course tell; `told` has a row for each single source.

    Attributes
    ----------
    phasors
        Phase of left against right in each band, weighted by coherence.
    weights
        Sum of these weights in each band.
    squares
        Sum of their squares in each band.
    bass, bass_cells
        Sum of the correlations of all cells below `POLARITY_HZ`, and their number.
    told
        Of each cell that holds a single source: band, weight, level ratio in dB, phase in radians.
    """

    phasors: NDArray[np.complex128]
    weights: Array
    squares: Array
    bass: float = 0.0
    bass_cells: int = 0
    told: list[Samples] = field(default_factory=list)

    @classmethod
    def empty(cls, bands: int) -> Stretch:
        """Return a stretch that holds no sound yet."""
        return cls(np.zeros(bands, np.complex128), np.zeros(bands), np.zeros(bands))


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
    whole = Stretch.empty(len(course[0].phasors))
    for stretch in course:
        whole.phasors += stretch.phasors
        whole.weights += stretch.weights
        whole.squares += stretch.squares
        whole.bass += stretch.bass
        whole.bass_cells += stretch.bass_cells
        whole.told += stretch.told
    return whole


@dataclass(frozen=True)
class InterchannelDelay:
    """How late the right channel is.

    Attributes
    ----------
    late_s, sign
        Seconds, and the sign of the right's polarity against the left; None and 0 if not
        determined.
    course_us
        Of each stretch by itself; None where it has none.
    why
        The reason why it is not determined; empty if it is.
    """

    late_s: float | None
    sign: int
    course_us: tuple[float | None, ...]
    why: str


def shared_delay(hz: Array, course: Sequence[Stretch]) -> InterchannelDelay:
    """Find by how much the right channel is late, if all that both share agrees on it.

    Parameters
    ----------
    hz
        Middle of each band.
    course
        What each stretch of the side holds.
    """
    found = [_offset(hz, stretch) for stretch in course]
    sign = int(np.sign(sum(each.sign for each in found if each)))
    known = [each if each and each.sign == sign else None for each in found]
    course_us = tuple(each.us if each else None for each in known)
    late_s, why = _common(hz, course, known, sign)
    return InterchannelDelay(late_s, sign if late_s is not None else 0, course_us, why)


@dataclass(frozen=True)
class _Offset:
    """Offset of a stretch, the sign of its polarity, and the offset's standard error."""

    us: float
    sign: int
    error_us: float


def _common(
    hz: Array, course: Sequence[Stretch], found: Sequence[_Offset | None], sign: int
) -> tuple[float | None, str]:
    """Return the offset of all stretches, or the reason why they have none in common."""
    known = [each for each in found if each]
    heard = sum(stretch.weights.sum() > 0 for stretch in course)
    if len(known) < max(_FEWEST_STRETCHES, _LEAST_STRETCHES * heard):
        return None, TOO_LITTLE
    known_us, errors_us = np.array([(each.us, each.error_us) for each in known]).T
    side, middle_us = together(course), float(np.median(known_us))
    late_s = _at_the_top(hz, sign * side.phasors, middle_us * 1e-6)
    near = np.abs(known_us - middle_us) <= WANDERS_US + 2 * errors_us
    parts_us = [1e6 * _of_part(hz, course[part], late_s, sign) for part in _thirds(len(course))]
    if near.mean() < _NEAR or np.ptp(parts_us) > WANDERS_US:
        span = " to ".join(f"{value:+.0f}" for value in np.percentile(known_us, (5, 95)))
        return None, f"stretches disagree, from {span} µs".replace("-", "−")
    if _error_us(hz, side, late_s, sign) > _LEAST_SURE_US:
        return None, TOO_LITTLE
    if not _bands_agree(hz, side, late_s, sign):
        return None, "low and high frequencies disagree"
    if not _sources_agree(hz, side, late_s, sign):
        return None, "parts of the sound disagree"
    return late_s, ""


def _thirds(count: int) -> list[slice]:
    """Return the first, middle and last third of so many stretches."""
    edges = [0, count // 3, count - count // 3, count]
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def _of_part(hz: Array, part: Sequence[Stretch], late_s: float, sign: int) -> float:
    """Find the offset of a part of a side near that of the whole, which a faint part keeps."""
    whole = together(part)
    near_s = late_s + np.arange(-_PART_US, _PART_US + 1, _GRID_US) * 1e-6
    best_s = float(near_s[(sign * _turned(hz, whole.phasors, near_s)).argmax()])
    found_s = _at_the_top(hz, sign * whole.phasors, best_s)
    return found_s if _error_us(hz, whole, found_s, sign) < _LEAST_SURE_US else late_s


def _offset(hz: Array, stretch: Stretch) -> _Offset | None:
    """Find the offset of a stretch; None where chance may have made it."""
    late_s = np.arange(-MOST_LATE_US, MOST_LATE_US + 1, _GRID_US) * 1e-6
    correlation = _turned(hz, stretch.phasors, late_s)
    best = int(np.abs(correlation).argmax())
    if not abs(correlation[best]) > _DEVIATIONS * math.sqrt(stretch.squares.sum() / 2):
        return None
    sign = 1 if correlation[best] > 0 else -1
    found_s = _at_the_top(hz, sign * stretch.phasors, float(late_s[best]))
    error_us = _error_us(hz, stretch, found_s, sign)
    return _Offset(found_s * 1e6, sign, error_us) if error_us < _STRETCH_SURE_US else None


def _error_us(hz: Array, stretch: Stretch, late_s: float, sign: int) -> float:
    """Return the standard error of an offset, infinite where too little of the sound has it."""
    correlation = sign * float(_turned(hz, stretch.phasors, np.array([late_s]))[0])
    weight = float(stretch.weights.sum())
    if correlation <= _AGREE * weight:
        return math.inf
    sizes = np.abs(stretch.phasors)
    omega_squared = float(sizes @ (2 * np.pi * hz) ** 2 / sizes.sum())
    spread = max(0.0, 1 - correlation / weight)
    return 1e6 * math.sqrt(stretch.squares.sum() * spread / 2 / omega_squared) / correlation


def _bands_agree(hz: Array, side: Stretch, late_s: float, sign: int) -> bool:
    """Check that each band in which the channels have a phase in common is late by the same."""
    turned = sign * side.phasors * np.exp(-2j * np.pi * hz * late_s)
    asked = 0
    for low_hz, high_hz in _BANDS_HZ:
        band = (hz >= low_hz) & (hz < high_hz)
        total = complex(turned[band].sum())
        if abs(total) <= _DEVIATIONS * math.sqrt(side.squares[band].sum() / 2):
            continue
        if abs(np.angle(total)) > _BAND_RAD:
            return False
        asked += 1
    return asked >= _FEWEST_BANDS


def _sources_agree(hz: Array, side: Stretch, late_s: float, sign: int) -> bool:
    """Check that most single sources have this offset, and that few have another one in common."""
    told = np.concatenate(side.told).astype(np.float64)
    told_hz = hz[told[:, 0].astype(np.intp)]
    high = told_hz > _SOURCES_HZ
    omega, weights = 2 * np.pi * told_hz[high], told[high, 1]
    if len(omega) < _FEWEST_SOURCES:
        return False
    phases = told[high, 3] + (np.pi if sign < 0 else 0.0)

    def share(offset_s: float, where: NDArray[np.bool_]) -> float:
        agree = np.cos(phases - omega * offset_s) > math.cos(_SOURCE_RAD)
        return float(weights[agree & where].sum() / max(weights[where].sum(), 1e-9))

    if share(late_s, np.ones(len(omega), np.bool_)) < _SOURCES_AGREE:
        return False
    for rival_s in np.arange(-MOST_LATE_US, MOST_LATE_US + 1, 2 * _GRID_US) * 1e-6:
        differs = np.cos(omega * (late_s - rival_s)) < math.cos(2 * _SOURCE_RAD)
        far = abs(rival_s - late_s) > _RIVAL_US * 1e-6
        if far and share(float(rival_s), differs) > _RIVAL:
            return False
    return True


def polarity(
    course: Sequence[Stretch], delay: InterchannelDelay, correlation: float
) -> tuple[int, str]:
    """Return the sign of the right's polarity against the left, 0 with the reason if not known.

    It is that of a known delay if the bass doesn't contradict; else that of the bass, if this holds
    nearly all through the side and all samples together have the same. Wide stereo, whose channels
    have little in common, has none.
    """
    side = together(course)
    if not side.bass_cells:
        return 0, TOO_LITTLE
    mean, sign = side.bass / side.bass_cells, 1 if side.bass > 0 else -1
    if delay.sign:
        known = min(delay.sign * mean - _LEAST_BASS, delay.sign * correlation - _LEAST_BOTH) > 0
        return (delay.sign, "") if known else (0, "the channels have too little in common")
    chance = _DEVIATIONS * _BASS_SCATTER / math.sqrt(side.bass_cells)
    if abs(mean) < max(_LEAST_BASS, chance) or sign * correlation < _LEAST_CORRELATION:
        return 0, "the channels have too little in common"
    signs = [sign * stretch.bass > 0 for stretch in course if stretch.bass_cells]
    if np.mean(signs) < _BASS_STRETCHES:
        return 0, "stretches of the side disagree"
    return sign, ""


def drift(offsets_us: Sequence[float | None]) -> float | None:
    """Return how far an offset wanders over the side, single outliers left out."""
    told = np.array([offset for offset in offsets_us if offset is not None])
    if len(told) < 3:
        return None
    middles = np.median(np.stack((told[:-2], told[1:-1], told[2:])), axis=0)
    return float(middles.max() - middles.min())
