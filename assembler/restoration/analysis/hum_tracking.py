"""Follow the harmonics of hum through a side in level, phase and pitch.

Only the steady part of a harmonic is hum: each second is compared with some seconds before and
after it, and passages in which music sounds at the same pitch have little weight. Notes at the
pitch of a harmonic are kept, where a notch filter would remove them and ring.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
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


def _phasors_of(low: Samples, first: int, centre: int, table: NDArray[np.float64]) -> Phasors:
    """Measure the amplitude and phase of each harmonic at a sample, shape (harmonics, 2).

    low: samples at the low rate from sample `first` on; zeros beyond both ends.
    """
    half = table.shape[1] // 2
    begin = max(centre - half, first)
    piece = low[begin - first : centre + half + 1 - first].astype(np.float64)
    used = table[:, begin - centre + half : begin - centre + half + len(piece)]
    # One column after the other: a product of two matrices would start threads of the BLAS library.
    sums = np.stack([used @ np.ascontiguousarray(channel) for channel in piece.T], axis=1)
    cosines, sines = np.split(sums[1:], 2)
    measured: Phasors = (cosines - 1j * sines).astype(np.complex128)
    return measured * (2 / max(float(used[0].sum()), 1e-9))


def _window_table(waves: Phasors, rate_hz: float) -> NDArray[np.float64]:
    """Return a Hann window, then the window times the cosine and the sine of each line, in rows.

    waves: of the harmonics, and then of the sidebands below and above them.
    """
    half = waves.shape[1] // 2
    ages = np.arange(-half, half + 1)
    window = 0.5 + 0.5 * np.cos(np.pi * ages / (half + 1))
    aside = np.exp(2j * np.pi * _SIDEBAND_HZ / rate_hz * ages)
    lines = np.concatenate((waves, waves * aside.conj(), waves * aside))
    table: NDArray[np.float64] = window * np.concatenate(
        (np.ones((1, len(ages))), lines.real, lines.imag)
    )
    return table


def _steady_part(
    near: Phasors, sidebands: NDArray[np.float64], middle: int, numbers: NDArray[np.float64]
) -> Phasors:
    """Estimate the steady part of the harmonics at a hop, at most twice the measured one.

    A longer reach is less disturbed by music, but pitch and level must be steady for that long.
    near: phasors relative to the carrier, shape (hops, harmonics, 2); sidebands: power just below
    and above each harmonic.
    """
    begin = max(0, middle - _SHORT_REACH_HOPS)
    close = near[begin : middle + _SHORT_REACH_HOPS + 1]
    weights = _weights(close, sidebands[begin : middle + _SHORT_REACH_HOPS + 1])
    steady, residual = _fit(close, weights, middle - begin, numbers, close, middle - begin)
    if len(near) > len(close):
        long_fit, long_residual = _fit(
            near, _weights(near, sidebands), middle, numbers, close, middle - begin
        )
        steady = np.where(long_residual < _LONG_FIT_TOLERANCE * residual, long_fit, steady)
    measured = np.abs(near[middle])
    limited: Phasors = steady * np.minimum(1, 2 * measured / np.maximum(np.abs(steady), 1e-12))
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
    near: Phasors,
    weights: NDArray[np.float64],
    middle: int,
    numbers: NDArray[np.float64],
    close: Phasors,
    close_middle: int,
) -> tuple[Phasors, NDArray[np.float64]]:
    """Fit phasors that turn evenly; return them at `middle`, and their residual in `close`."""
    turn = 0.0
    hops = (np.arange(len(near)) - middle).astype(np.float64)
    weighted = near * weights
    for lag in _LAGS:
        if len(near) > 2 * lag:
            turn += _turn_per_hop(_turned(weighted, hops, numbers, -turn), numbers, lag)
    weights = weights * (0.5 + 0.5 * np.cos(np.pi * hops / (abs(hops).max() + 1)))[:, None, None]
    turned = _turned(near, hops, numbers, -turn)
    steady: Phasors = (weights * turned).sum(axis=0) / weights.sum(axis=0)
    bins = numbers * turn * (_WINDOW_S / (2 * np.pi * HOP_S))
    steady = steady * ((1 - bins**2) / np.sinc(bins))[:, None]  # the window's loss off its centre
    hops = (np.arange(len(close)) - close_middle).astype(np.float64)
    residual = np.abs(close - _turned(np.broadcast_to(steady, close.shape), hops, numbers, turn))
    return steady, np.median(residual, axis=0)


def _turned(
    near: Phasors, hops: NDArray[np.float64], numbers: NDArray[np.float64], turn: float
) -> Phasors:
    turns = np.exp(1j * turn * hops[:, None] * numbers[None, :])
    turned: Phasors = near * turns[:, :, None]
    return turned


def _turn_per_hop(near: Phasors, numbers: NDArray[np.float64], lag: int) -> float:
    """Estimate the turn of the mains' phase from hop to hop, weighted by its coherence."""
    products = (near[lag:] * near[:-lag].conj()).sum(axis=(0, 2))
    powers = (near.real**2 + near.imag**2).sum(axis=(0, 2))
    coherence = np.minimum(1, np.abs(products) / np.maximum(powers, 1e-24))
    weights = np.abs(products) * coherence**4
    total = float(weights @ numbers**2)
    turn = float(weights * numbers @ np.angle(products)) / total / lag if total else 0.0
    most = _MOST_TURN_RAD / float(numbers[-1])
    return min(max(turn, -most), most)


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

    def waves(self, hop: int, ages: NDArray[np.float64]) -> Phasors:
        """Return each harmonic around a hop at the expected pitch; its phase is 0 at the hop."""
        at = hop * self.hop_samples
        mains = np.exp(2j * np.pi * (self._turns(at + ages) - self._turns(at)))
        waves: Phasors = np.multiply.accumulate(
            np.broadcast_to(mains, (len(self.numbers), len(ages)))
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
        self._table = self._window_table(0)
        self._hop = self.harmonics.hop_samples
        self._low = np.zeros((0, 2), np.float32)
        self._low_start = self._hops_done = 0
        self._near: list[Phasors] = []
        self._sidebands: list[NDArray[np.float64]] = []

    def feed(self, block: Samples) -> list[Phasors]:
        """Add a block; return the steady phasors, relative to the carrier, of the next hops."""
        self._measure_hops(self._band.feed(block), len(self._ages) // 2)
        return [self._steady() for _ in range(len(self._near) - REACH_HOPS - self._hops_done)]

    def finish(self) -> list[Phasors]:
        """Return the steady phasors of the last hops."""
        self._measure_hops(self._band.finish(), 0)
        return [self._steady() for _ in range(len(self._near) - self._hops_done)]

    def _measure_hops(self, low: Samples, ahead: int) -> None:
        """Measure the harmonics at each hop that has so many samples at the low rate after it."""
        self._low = np.concatenate((self._low, low))
        while len(self._near) * self._hop + ahead < self._low_start + len(self._low):
            self._measure_hop()

    def _measure_hop(self) -> None:
        hop = len(self._near)
        centre = hop * self._hop
        if not self.harmonics.stretch.is_steady:
            self._table = self._window_table(hop)
        measured = _phasors_of(self._low, self._low_start, centre, self._table)
        own, below, above = np.split(measured, 3)
        self._near.append(own * self.harmonics.carrier(hop).conj())
        self._sidebands.append((np.abs(below) ** 2 + np.abs(above) ** 2) / 2)
        passed = max(0, centre - len(self._ages) - self._low_start)
        self._low, self._low_start = self._low[passed:], self._low_start + passed

    def _window_table(self, hop: int) -> NDArray[np.float64]:
        return _window_table(self.harmonics.waves(hop, self._ages), self.harmonics.low_rate_hz)

    def _steady(self) -> Phasors:
        """Return the steady phasors of the next hop."""
        begin = max(0, self._hops_done - REACH_HOPS)
        hops = slice(begin, self._hops_done + REACH_HOPS + 1)
        near, sidebands = np.stack(self._near[hops]), np.stack(self._sidebands[hops])
        steady = _steady_part(near, sidebands, self._hops_done - begin, self.harmonics.numbers)
        self._hops_done += 1
        return steady
