"""Measure the interchannel delay and the polarity of a side from the sound common to both channels.

The delay is read by generalized cross-correlation (GCC) with the maximum-likelihood weighting
(Knapp and Carter, "The generalized correlation method for estimation of time delay", IEEE
Transactions on Acoustics, Speech and Signal Processing 24(4), 1976, from memory): what counts is
the phase between the channels, and how coherent they are.

An azimuth error delays one channel by the same time in every section and at every frequency.
Spaced microphones, panned echoes and widened stereo do not. So a delay is determined only if nearly
all the common sound has it; in all other cases it is not determined, and the reason is reported.
Bounds: tuned empirically on undamaged music of two game soundtracks, unchanged and with known
delays, and on mixtures of it with spaced microphones, echoes and widened sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from assembler.restoration.analysis.stereo.cross_spectrum import CrossSpectrum, SourceCells
from assembler.text import signed

MAX_DELAY_US = 700.0
"""Search range; a badly set head gives about 100 µs. Tuned empirically."""
POLARITY_HZ = 500.0
"""Below this no likely delay inverts the polarity: half a period is 1000 µs or more."""
MAX_SPREAD_US = 10.0
"""Sections that differ by more have no common delay: one value would make some of them worse."""
_BASS_SCATTER = 0.25
"""Standard deviation of a cell's correlation in unrelated noise (16 bins of a Hann window)."""
_LEAST_BASS = 0.1
"""Mean correlation of the bass below which its sign is not significant."""
_LEAST_CORRELATION_WITH_DELAY, _LEAST_CORRELATION = 0.3, 0.35
"""Correlation of all samples, with a known delay and without: below these, wide and widened stereo
and crosstalk of the wrong sign can have either sign."""
_BASS_SECTIONS = 0.75
"""Share of the sections whose bass must have the same sign."""
_LEAST_SHARE = 0.5
"""Share of all weight that must agree with a delay."""
_DEVIATIONS = 5.5
_GRID_US = 5.0
_SEARCHED_S = np.arange(-MAX_DELAY_US, MAX_DELAY_US + 1, _GRID_US) * 1e-6
_MAX_ERROR_US = 3.0
_MAX_SECTION_ERROR_US = 5.0
"""Standard errors beyond which a delay is not determined, of a side and of a section."""
_PART_US = 80.0
"""Search range for a part of the side, around the delay of the side."""
_BANDS_HZ = ((600.0, 1500.0), (1500.0, 3000.0), (3000.0, 6000.0), (6000.0, 20_000.0))
BAND_RAD = 0.15
"""Largest residual phase of one band at the delay of the side."""
FEWEST_BANDS = 2
_SOURCES_HZ = 700.0
"""The phase of single sources below this is too coarse for a delay."""
_FEWEST_SOURCES = 20
_SOURCE_RAD = 0.3
_SOURCE_SHARE = 0.5
"""Share of the single sources that must have the delay of the side …"""
_RIVAL_SHARE = 0.16
"""… and that may share another one, at least `_RIVAL_US` away."""
_RIVAL_US = 40.0
_FEWEST_SECTIONS = 3
_SECTION_SHARE = 0.5
"""Share of the sections that must have a delay of their own."""
_NEAR_SHARE = 0.9
"""Share of these that must be within `MAX_SPREAD_US` of their median, apart from their errors."""

TOO_LITTLE = "the channels share too little sound"
SECTIONS_DISAGREE = "sections disagree"
BANDS_DISAGREE = "low and high frequencies disagree"
SOURCES_DISAGREE = "sources in the sound disagree"

Array = NDArray[np.float64]


def _turns(hz: Array, delays_s: Array) -> NDArray[np.complex128]:
    """Return by how much some delays turn the phase of each band, shape (delays, bands)."""
    turns: NDArray[np.complex128] = np.exp(-2j * np.pi * delays_s[:, None] * hz[None, :])
    return turns


def _gcc(hz: Array, phasors: NDArray[np.complex128], delays_s: Array) -> Array:
    """Return the generalized cross-correlation of the channels at some delays."""
    correlation: Array = (_turns(hz, delays_s) @ phasors).real
    return correlation


def _refine(hz: Array, phasors: NDArray[np.complex128], delay_s: float) -> float:
    """Return the delay at the maximum of a positive correlation near a first estimate (Newton)."""
    omega = 2 * np.pi * hz
    for _ in range(6):
        turned = phasors * np.exp(-1j * omega * delay_s)
        curvature = float(turned.real @ omega**2)
        if curvature <= 0:
            break
        delay_s += float(turned.imag @ omega) / curvature
    return delay_s


@dataclass(frozen=True)
class InterchannelDelay:
    """Delay of the right channel re left."""

    delay_s: float | None
    """In seconds, positive if the right channel is late; None if not determined."""
    sign: int
    """Of the polarity of right re left; 0 if not determined."""
    section_delays_us: tuple[float | None, ...]
    """Of each section by itself; None where it is not determined."""
    reason: str
    """Why the delay is not determined; empty if it is."""


def interchannel_delay(hz: Array, sections: Sequence[CrossSpectrum]) -> InterchannelDelay:
    """Measure the delay of the right channel, if all common sound agrees with it.

    Parameters
    ----------
    hz, sections
        Centre of each band, and cross-spectrum of each section of the side.
    """
    turns = _turns(hz, _SEARCHED_S)  # the same for all sections, and dear
    estimates = [_section_delay(hz, section, turns) for section in sections]
    sign = int(np.sign(sum(each.sign for each in estimates if each)))
    known = [each if each and each.sign == sign else None for each in estimates]
    section_delays_us = tuple(each.delay_us if each else None for each in known)
    delay_s, reason = _common_delay(hz, sections, known, sign)
    return InterchannelDelay(delay_s, 0 if delay_s is None else sign, section_delays_us, reason)


@dataclass(frozen=True)
class _SectionDelay:
    """Delay of a section, the sign of its polarity, and the standard error of the delay."""

    delay_us: float
    sign: int
    error_us: float


def _common_delay(
    hz: Array,
    sections: Sequence[CrossSpectrum],
    estimates: Sequence[_SectionDelay | None],
    sign: int,
) -> tuple[float | None, str]:
    """Return the delay of all sections, or the reason why they have none in common."""
    known = [each for each in estimates if each]
    with_sound = sum(section.weights.sum() > 0 for section in sections)
    if len(known) < max(_FEWEST_SECTIONS, _SECTION_SHARE * with_sound):
        return None, TOO_LITTLE
    known_us, errors_us = np.array([(each.delay_us, each.error_us) for each in known]).T
    side, median_us = CrossSpectrum.of_all(sections), float(np.median(known_us))
    delay_s = _refine(hz, sign * side.phasors, median_us * 1e-6)
    near = np.abs(known_us - median_us) <= MAX_SPREAD_US + 2 * errors_us
    thirds = _thirds(len(sections))
    parts_us = [1e6 * _part_delay_s(hz, sections[part], delay_s, sign) for part in thirds]
    if near.mean() < _NEAR_SHARE or np.ptp(parts_us) > MAX_SPREAD_US:
        low_us, high_us = np.percentile(known_us, (5, 95))
        return None, f"{SECTIONS_DISAGREE}, from {signed(low_us, 0)} to {signed(high_us, 0)} µs"
    if _error_us(hz, side, delay_s, sign) > _MAX_ERROR_US:
        return None, TOO_LITTLE
    phases = [abs(phase) for phase, _ in band_phases(hz, side, delay_s, sign)]
    if len(phases) < FEWEST_BANDS or max(phases) > BAND_RAD:
        return None, BANDS_DISAGREE
    shares = source_shares(hz, side, delay_s, sign)
    if shares is None or shares[0] < _SOURCE_SHARE or shares[1] > _RIVAL_SHARE:
        return None, SOURCES_DISAGREE
    return delay_s, ""


def _thirds(count: int) -> list[slice]:
    """Return the first, middle and last third of so many sections."""
    edges = [0, count // 3, count - count // 3, count]
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def _part_delay_s(hz: Array, part: Sequence[CrossSpectrum], delay_s: float, sign: int) -> float:
    """Return the delay of a part of the side, near that of the side; faint parts get the latter."""
    total = CrossSpectrum.of_all(part)
    near_s = delay_s + np.arange(-_PART_US, _PART_US + 1, _GRID_US) * 1e-6
    best_s = float(near_s[(sign * _gcc(hz, total.phasors, near_s)).argmax()])
    part_s = _refine(hz, sign * total.phasors, best_s)
    return part_s if _error_us(hz, total, part_s, sign) < _MAX_ERROR_US else delay_s


def _section_delay(
    hz: Array, section: CrossSpectrum, turns: NDArray[np.complex128]
) -> _SectionDelay | None:
    """Measure the delay of a section; None where it is not significant.

    turns: of `_SEARCHED_S`.
    """
    correlation = (turns @ section.phasors).real
    best = int(np.abs(correlation).argmax())
    if not abs(correlation[best]) > _DEVIATIONS * math.sqrt(section.squared_weights.sum() / 2):
        return None
    sign = 1 if correlation[best] > 0 else -1
    delay_s = _refine(hz, sign * section.phasors, float(_SEARCHED_S[best]))
    error_us = _error_us(hz, section, delay_s, sign)
    if error_us >= _MAX_SECTION_ERROR_US:
        return None
    return _SectionDelay(delay_s * 1e6, sign, error_us)


def _error_us(hz: Array, section: CrossSpectrum, delay_s: float, sign: int) -> float:
    """Return the standard error of a delay; infinite where too little of the sound has it."""
    correlation = sign * float(_gcc(hz, section.phasors, np.array([delay_s]))[0])
    weight = float(section.weights.sum())
    if correlation <= _LEAST_SHARE * weight:
        return math.inf
    sizes = np.abs(section.phasors)
    omega_squared = float(sizes @ (2 * np.pi * hz) ** 2 / sizes.sum())
    spread = max(0.0, 1 - correlation / weight)
    variance = section.squared_weights.sum() * spread / 2 / omega_squared
    return 1e6 * math.sqrt(variance) / correlation


def band_phases(
    hz: Array, side: CrossSpectrum, delay_s: float, sign: int
) -> list[tuple[float, float]]:
    """Measure the phase that a delay leaves in each band in which the channels have a common one.

    Parameters
    ----------
    hz, side
        Centre of each band, and the cross-spectrum.
    delay_s, sign
        The delay of the right channel, and the sign of the polarity.

    Returns
    -------
    list of tuple
        Phase and its standard error, in rad, from the lowest band to the highest.
    """
    turned = sign * side.phasors * np.exp(-2j * np.pi * hz * delay_s)
    phases = []
    for low_hz, high_hz in _BANDS_HZ:
        band = (hz >= low_hz) & (hz < high_hz)
        total, deviation = complex(turned[band].sum()), side.squared_weights[band].sum() / 2
        if abs(total) > _DEVIATIONS * math.sqrt(deviation):
            phases.append((float(np.angle(total)), math.sqrt(deviation) / abs(total)))
    return phases


def source_shares(
    hz: Array, side: CrossSpectrum, delay_s: float, sign: int
) -> tuple[float, float] | None:
    """Measure the share of the single sources that have a delay, and of those with another one.

    Parameters
    ----------
    hz, side
        Centre of each band, and the cross-spectrum.
    delay_s, sign
        The delay of the right channel, and the sign of the polarity.

    Returns
    -------
    tuple of float or None
        The two shares, the second of the delay that most have of those at least `_RIVAL_US` away;
        None for too few sources.
    """
    cells = SourceCells.joined(side.sources)
    cells = cells.where(hz[cells.bands] > _SOURCES_HZ)
    omega, weights = 2 * np.pi * hz[cells.bands], cells.weights
    if len(omega) < _FEWEST_SOURCES:
        return None
    phases = cells.phases_rad + (np.pi if sign < 0 else 0.0)

    def share(at_s: float, where: NDArray[np.bool_]) -> float:
        agree = np.cos(phases - omega * at_s) > math.cos(_SOURCE_RAD)
        return float(weights[agree & where].sum() / max(weights[where].sum(), 1e-9))

    rival = 0.0
    for rival_s in np.arange(-MAX_DELAY_US, MAX_DELAY_US + 1, 2 * _GRID_US) * 1e-6:
        if abs(rival_s - delay_s) > _RIVAL_US * 1e-6:
            differs = np.cos(omega * (delay_s - rival_s)) < math.cos(2 * _SOURCE_RAD)
            rival = max(rival, share(float(rival_s), differs))
    return share(delay_s, np.ones(len(omega), np.bool_)), rival


def polarity(
    sections: Sequence[CrossSpectrum], delay: InterchannelDelay, correlation: float
) -> tuple[int, str]:
    """Return the sign of the polarity of right re left; 0 and the reason if not determined.

    It is that of a known delay, unless the bass contradicts it; else that of the bass, if nearly
    all sections have it and the correlation of all samples agrees. Wide stereo, whose channels have
    little in common, has none.
    """
    side = CrossSpectrum.of_all(sections)
    if not side.bass_cells:
        return 0, TOO_LITTLE
    mean, sign = side.bass_correlation / side.bass_cells, 1 if side.bass_correlation > 0 else -1
    if delay.sign:
        margins = (
            delay.sign * mean - _LEAST_BASS,
            delay.sign * correlation - _LEAST_CORRELATION_WITH_DELAY,
        )
        if min(margins) > 0:
            return delay.sign, ""
        return 0, "the channels have too little in common"
    chance = _DEVIATIONS * _BASS_SCATTER / math.sqrt(side.bass_cells)
    if abs(mean) < max(_LEAST_BASS, chance) or sign * correlation < _LEAST_CORRELATION:
        return 0, "the channels have too little in common"
    agree = [sign * section.bass_correlation > 0 for section in sections if section.bass_cells]
    if np.mean(agree) < _BASS_SECTIONS:
        return 0, "sections of the side disagree"
    return sign, ""


def drift(delays_us: Sequence[float | None]) -> float | None:
    """Return the range of the delay over the side, single outliers left out."""
    known = np.array([delay for delay in delays_us if delay is not None])
    if len(known) < 3:
        return None
    medians = np.median(np.stack((known[:-2], known[1:-1], known[2:])), axis=0)
    return float(medians.max() - medians.min())
