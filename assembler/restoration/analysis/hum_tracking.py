"""Follow the harmonics of hum through a side in level, phase and pitch.

Only the steady part of a harmonic is hum: each second is compared with some seconds before and
after it, and passages in which music sounds at the same pitch have little weight. Notes at the
pitch of a harmonic are kept, where a notch filter would remove them and ring.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.hum_pitch import HumStretch
from assembler.restoration.analysis.low_band import HIGHEST_HZ, Decimator

HOP_S = 1.0
REACH_HOPS = 30
"""Hops before and after that are used where the hum is steady for that long."""
_SHORT_REACH_HOPS = 6
_LONG_FIT_TOLERANCE = 1.25
"""The long reach is used where its residual is at most this many times that of the short one."""
_WINDOW_S = 2.0
_LAGS = (1, 4, 15)
"""Hops between which the phase of a harmonic is compared, each time more finely."""
_MOST_TURN_RAD = 1.5
"""Limit on the turn of the highest harmonic in one hop, against its expected phase."""
_QUIET_SHARE = 0.3
_LOUDER = 1.5
_SIDEBAND_HZ = 1.25
"""Distance from a harmonic to the sidebands in which music is measured: beyond the window's main
lobe."""
_LEAST_SIDEBAND = 0.01
"""Relative to the harmonic's own power: less music in the sidebands makes no difference."""

Phasors = NDArray[np.complex128]


@compiled
def _add_lines(sums: NDArray[Any], samples: NDArray[Any], table: NDArray[Any]) -> None:
    """Add the products of both channels and each column of a table, sums: (2, columns)."""
    of_left, of_right = sums[0], sums[1]
    for i in range(samples.shape[0]):
        left, right, row = np.float64(samples[i, 0]), np.float64(samples[i, 1]), table[i]
        for j in range(row.shape[0]):
            of_left[j] += left * row[j]
            of_right[j] += right * row[j]


def _phasors_of(low: Samples, first: int, centre: int, table: NDArray[np.float32]) -> Phasors:
    """Measure the amplitude and phase of each line at a sample, shape (lines, 2).

    low: samples at the low rate from sample `first` on; zeros beyond both ends.
    """
    half = len(table) // 2
    begin = max(centre - half, first)
    piece = low[begin - first : centre + half + 1 - first]
    used = slice(begin - centre + half, begin - centre + half + len(piece))
    sums = np.zeros((2, table.shape[1]))
    _add_lines(sums, piece, table[used])
    cosines, sines = np.split(sums.T, 2)
    measured: Phasors = (cosines - 1j * sines).astype(np.complex128)
    return measured * (2 / max(float(_window(half)[used].sum()), 1e-9))


@cache
def _window(half: int) -> NDArray[np.float64]:
    """Return a Hann window."""
    ages = np.arange(-half, half + 1)
    window: NDArray[np.float64] = 0.5 + 0.5 * np.cos(np.pi * ages / (half + 1))
    return window


@compiled
def _fill_table(
    table: NDArray[Any], mains: NDArray[Any], window: NDArray[Any], aside: NDArray[Any]
) -> None:
    """Fill columns with a window times the cosine and then the sine of each line.

    The lines are the harmonics of `mains`, the sidebands below them, and those above.
    """
    count = table.shape[1] // 6
    for i in range(mains.shape[0]):
        row = table[i]
        wave = window[i] + 0j
        for k in range(count):
            wave *= mains[i]
            below, above = wave * aside[i].conjugate(), wave * aside[i]
            row[k], row[3 * count + k] = wave.real, wave.imag
            row[count + k], row[4 * count + k] = below.real, below.imag
            row[2 * count + k], row[5 * count + k] = above.real, above.imag


def _steady_part(
    near: Phasors, sidebands: NDArray[np.float64], middle: int, numbers: NDArray[np.float64]
) -> Phasors:
    """Estimate the steady part of the harmonics at a hop, at most twice the measured one.

    A longer reach is less disturbed by music, but pitch and level must be steady for that long.
    near: phasors relative to the carrier, shape (hops, harmonics, 2); sidebands: power just below
    and above each harmonic.
    """
    begin = max(0, middle - _SHORT_REACH_HOPS)
    short = slice(begin, middle + _SHORT_REACH_HOPS + 1)
    close = near[short]
    steady, turn = _fit(close, _weights(close, sidebands[short]), middle - begin, numbers)
    if len(near) > len(close):
        residual = _residual(close, steady, turn, middle - begin, numbers)
        long_fit, turn = _fit(near, _weights(near, sidebands), middle, numbers)
        long_residual = _residual(close, long_fit, turn, middle - begin, numbers)
        steady = np.where(long_residual < _LONG_FIT_TOLERANCE * residual, long_fit, steady)
    most = 2 * np.abs(near[middle])
    limited: Phasors = steady * np.minimum(1, most / np.maximum(np.abs(steady), 1e-12))
    return limited


def _weights(near: Phasors, sidebands: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return weights that are low where music sounds at the harmonics or in their sidebands."""
    powers = near.real**2 + near.imag**2
    rank = int(_QUIET_SHARE * (len(near) - 1))
    quiet = np.maximum(np.partition(powers, rank, axis=0)[rank], 1e-24)
    excess = powers / (_LOUDER**2 * quiet)
    weights: NDArray[np.float64] = 1 / (
        (1 + excess * excess) * (_LEAST_SIDEBAND + sidebands / quiet)
    )
    return weights


def _fit(
    near: Phasors, weights: NDArray[np.float64], middle: int, numbers: NDArray[np.float64]
) -> tuple[Phasors, float]:
    """Fit phasors that turn evenly; return them at `middle`, and the mains' turn per hop."""
    turn = _turn_per_hop(near * weights, numbers)
    steady, total = np.zeros_like(near[0]), np.zeros_like(weights[0])
    _add_turned(near, weights, middle, turn, numbers, steady, total)
    bins = numbers * turn * (_WINDOW_S / (2 * np.pi * HOP_S))
    loss = np.sinc(bins) / (1 - bins**2)  # the window's, off its centre
    return steady / (total * loss[:, None]), turn


@compiled
def _add_turned(
    near: NDArray[Any],
    weights: NDArray[Any],
    middle: int,
    turn: float,
    numbers: NDArray[Any],
    steady: NDArray[Any],
    total: NDArray[Any],
) -> None:
    """Add the weighted phasors, turned back to the middle, and their weights."""
    hops = near.shape[0]
    furthest = max(middle, hops - 1 - middle)
    for hop in range(hops):
        taper = 0.5 + 0.5 * math.cos(math.pi * (hop - middle) / (furthest + 1))
        for k in range(numbers.shape[0]):
            turned = cmath.exp(-1j * turn * (hop - middle) * numbers[k])
            for c in range(2):
                weight = weights[hop, k, c] * taper
                steady[k, c] += weight * turned * near[hop, k, c]
                total[k, c] += weight


@compiled
def _turn_per_hop(weighted: NDArray[Any], numbers: NDArray[Any]) -> float:
    """Estimate the turn of the mains' phase from hop to hop, weighted by its coherence."""
    hops, count = weighted.shape[0], numbers.shape[0]
    most = _MOST_TURN_RAD / numbers[count - 1]
    turn = 0.0
    for lag in _LAGS:
        if hops <= 2 * lag:
            break
        total = product_sum = 0.0
        for k in range(count):
            power, product = 0.0, 0j
            for hop in range(hops):
                for c in range(2):
                    one = weighted[hop, k, c]
                    power += one.real**2 + one.imag**2
                    if hop >= lag:
                        product += one * weighted[hop - lag, k, c].conjugate()
            size = abs(product)
            weight = size * min(1.0, size / max(power, 1e-24)) ** 4
            turned = product * cmath.exp(-1j * turn * lag * numbers[k])
            product_sum += weight * numbers[k] * cmath.phase(turned)
            total += weight * numbers[k] ** 2
        if total:
            turn += min(max(product_sum / total / lag, -most), most)
    return turn


def _residual(
    close: Phasors, steady: Phasors, turn: float, middle: int, numbers: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the median residual of each harmonic of a fit."""
    turns = (turn * (np.arange(len(close)) - middle))[:, None] * numbers
    turned = steady * np.exp(1j * turns)[:, :, None]
    residual: NDArray[np.float64] = np.median(np.abs(close - turned), axis=0)
    return residual


def trackable_harmonics(rate_hz: int, hum_hz: float, count: int) -> NDArray[np.float64]:
    """Return the numbers of the first harmonics that lie in the low band."""
    numbers = np.arange(1, count + 1)
    below = numbers[numbers * hum_hz < min(HIGHEST_HZ, 0.45 * rate_hz)]
    return below.astype(np.float64)


@dataclass(frozen=True, eq=False)
class HumHarmonics:
    """Harmonics of hum at an expected pitch, on a grid of hops at a low rate."""

    stretch: HumStretch
    """Its expected mains frequency."""
    begins_s: float
    """Time from the start of the stretch to hop 0."""
    numbers: NDArray[np.float64]
    """Numbers of the harmonics from 1, the mains frequency itself, on."""
    low_rate_hz: float
    """Sample rate of the low band."""

    @property
    def hop_samples(self) -> int:
        """Samples from one hop to the next, at the low rate."""
        return round(HOP_S * self.low_rate_hz)

    def _turns(self, low_samples: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return self.stretch.turns(self.begins_s + low_samples / self.low_rate_hz)

    def carrier(self, hop: int) -> Phasors:
        """Return the phase of each harmonic at a hop at the expected pitch, as unit phasors."""
        turns = self.numbers * (self._turns(hop * self.hop_samples) % 1)
        phasors: Phasors = np.exp(2j * np.pi * turns)[:, None]
        return phasors

    def mains(self, hop: int, ages: NDArray[np.float64]) -> Phasors:
        """Return the mains frequency around a hop as unit phasors; its phase is 0 at the hop."""
        at = hop * self.hop_samples
        mains: Phasors = np.exp(2j * np.pi * (self._turns(at + ages) - self._turns(at)))
        return mains

    def waves(self, hop: int, ages: NDArray[np.float64]) -> Phasors:
        """Return each harmonic around a hop at the expected pitch; its phase is 0 at the hop."""
        waves: Phasors = np.multiply.accumulate(
            np.broadcast_to(self.mains(hop, ages), (len(self.numbers), len(ages)))
        )
        return waves


class HumTracker:
    """Follow the harmonics of hum through a stereo stream, see `trackable_harmonics`."""

    def __init__(
        self, rate_hz: int, stretch: HumStretch, begins_s: float, numbers: NDArray[np.float64]
    ) -> None:
        self._band = Decimator(rate_hz)
        self.harmonics = HumHarmonics(stretch, begins_s, numbers, self._band.rate_hz)
        half = round(_WINDOW_S * self._band.rate_hz / 2)
        self._ages = np.arange(-half, half + 1).astype(np.float64)
        self._aside = np.exp(2j * np.pi * _SIDEBAND_HZ / self._band.rate_hz * self._ages)
        self._table = np.empty((len(self._ages), 6 * len(numbers)), np.float32)
        self._measure_around(0)
        self._hop = self.harmonics.hop_samples
        self._low = np.zeros((0, 2), np.float32)
        self._low_start = self._hops = self._hops_done = 0
        self._near = np.zeros((0, len(numbers), 2), np.complex128)
        self._sidebands = np.zeros((0, len(numbers), 2))

    def feed(self, block: Samples) -> list[Phasors]:
        """Add a block; return the steady phasors, relative to the carrier, of the next hops."""
        self._measure_hops(self._band.feed(block), len(self._ages) // 2)
        return [self._steady() for _ in range(self._hops - REACH_HOPS - self._hops_done)]

    def finish(self) -> Iterator[Phasors]:
        """Yield the steady phasors of the last hops."""
        self._measure_hops(self._band.finish(), 0)
        while self._hops_done < self._hops:
            yield self._steady()

    def _measure_hops(self, low: Samples, ahead: int) -> None:
        """Measure the harmonics at each hop that has so many samples at the low rate after it."""
        self._low = np.concatenate((self._low, low))
        while self._hops * self._hop + ahead < self._low_start + len(self._low):
            self._measure_hop()

    def _measure_hop(self) -> None:
        centre = self._hops * self._hop
        if not self.harmonics.stretch.is_steady:
            self._measure_around(self._hops)
        measured = _phasors_of(self._low, self._low_start, centre, self._table)
        own, below, above = np.split(measured, 3)
        own = own * self.harmonics.carrier(self._hops).conj()
        sidebands = (np.abs(below) ** 2 + np.abs(above) ** 2) / 2
        self._near = np.concatenate((self._near, own[None]))
        self._sidebands = np.concatenate((self._sidebands, sidebands[None]))
        self._hops += 1
        passed = max(0, centre - len(self._ages) - self._low_start)
        self._low, self._low_start = self._low[passed:], self._low_start + passed

    def _measure_around(self, hop: int) -> None:
        """Fill the table that measures at the pitch around a hop."""
        mains = self.harmonics.mains(hop, self._ages)
        _fill_table(self._table, mains, _window(len(mains) // 2), self._aside)

    def _steady(self) -> Phasors:
        """Return the steady phasors of the next hop, and forget the hops that are out of reach."""
        middle = self._hops_done - self._hops + len(self._near)
        end = middle + REACH_HOPS + 1
        near, sidebands = self._near[:end], self._sidebands[:end]
        passed = max(0, middle + 1 - REACH_HOPS)
        self._near, self._sidebands = self._near[passed:], self._sidebands[passed:]
        self._hops_done += 1
        return _steady_part(near, sidebands, middle, self.harmonics.numbers)
