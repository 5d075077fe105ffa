"""Sines at the harmonics of the hum, followed through a side in level, phase and pitch.

What is followed is what stays: in each second the harmonics are compared with their course
over some seconds before and after, and moments in which music sounds at the same pitch count
little. So notes at the pitch of a harmonic pass, where a notch would take them away and ring.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.low_band import LowBand, RaisedBand

HOP_S = 1.0
REACH_HOPS = 30
"""Hops before and after that have a say where the hum is as steady as that."""
_SHORT_REACH_HOPS = 6
_FITS_AS_WELL = 1.25
"""Of the rest that the short reach leaves: up to here the long one is taken."""
_WINDOW_S = 2.0
_LAGS = (1, 4, 15)
"""Hops between which the turn of a harmonic's phase is read, each time more finely."""
_MOST_OFF = 1.5
"""Radians that the highest harmonic may turn in a hop against what is expected."""
_QUIET_SHARE = 0.3
_LOUDER = 1.5
_BESIDE_HZ = 1.25
"""From a harmonic to where music is looked for; beyond the reach of the window."""
_LEAST_BESIDE = 0.01
"""Of the harmonic's own power: so little music beside it makes no difference."""

Phasors = NDArray[np.complex128]


def phasors_of(low: Samples, first: int, centre: int, table: NDArray[np.float64]) -> Phasors:
    """Read each harmonic's amplitude and phase around a sample.

    Parameters
    ----------
    low
        Samples at the low rate, shape (n, 2), from sample `first` on; silence beyond both ends.
    first, centre
        Sample positions.
    table
        From `window_table`.

    Returns
    -------
    ndarray of complex, shape (harmonics, 2)
        Phase is that at `centre`.
    """
    half = table.shape[1] // 2
    begin = max(centre - half, first)
    piece = low[begin - first : centre + half + 1 - first].astype(np.float64)
    used = table[:, begin - centre + half : begin - centre + half + len(piece)]
    sums = used @ piece
    cosines, sines = np.split(sums[1:], 2)
    read: Phasors = (cosines - 1j * sines).astype(np.complex128)
    return read * (2 / max(float(used[0].sum()), 1e-9))


def window_table(partials_hz: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    """Give a Hann window, and it times cosine and times sine of each harmonic, in rows."""
    half = round(_WINDOW_S * rate_hz / 2)
    ages = np.arange(-half, half + 1)
    window = 0.5 + 0.5 * np.cos(np.pi * ages / (half + 1))
    turns = 2 * np.pi * partials_hz[:, None] * ages / rate_hz
    rows = (np.ones((1, len(ages))), np.cos(turns), np.sin(turns))
    table: NDArray[np.float64] = window * np.concatenate(rows)
    return table


def steady_part(
    near: Phasors, beside: NDArray[np.float64], middle: int, numbers: NDArray[np.float64]
) -> Phasors:
    """Find what of the harmonics is steady around a hop.

    The longer the reach, the less music has a say in it; but pitch and level must hold so long.

    Parameters
    ----------
    near
        Phasors of some hops, against a clock at the expected pitch, shape (hops, harmonics, 2).
    beside
        Power of what sounds just below and above each, same shape.
    middle
        The hop in question.
    numbers
        Numbers of the harmonics.

    Returns
    -------
    ndarray of complex, shape (harmonics, 2)
        Amplitude and phase at `middle`, no more than twice what is there.
    """
    begin = max(0, middle - _SHORT_REACH_HOPS)
    close = near[begin : middle + _SHORT_REACH_HOPS + 1]
    weights = _weights(close, beside[begin : middle + _SHORT_REACH_HOPS + 1])
    steady, rest = _fit(close, weights, middle - begin, numbers, close, middle - begin)
    if len(near) > len(close):
        by_all, rest_of_all = _fit(
            near, _weights(near, beside), middle, numbers, close, middle - begin
        )
        steady = np.where(rest_of_all < _FITS_AS_WELL * rest, by_all, steady)
    there = np.abs(near[middle])
    limited: Phasors = steady * np.minimum(1, 2 * there / np.maximum(np.abs(steady), 1e-12))
    return limited


def _weights(near: Phasors, beside: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weigh moments by how little music there is, beside the harmonics and at their pitch."""
    powers = near.real**2 + near.imag**2
    rank = int(_QUIET_SHARE * (len(near) - 1))
    quiet = np.maximum(np.partition(powers, rank, axis=0)[rank], 1e-24)
    excess = powers / (_LOUDER**2 * quiet)
    weights: NDArray[np.float64] = 1 / ((1 + excess * excess) * (_LEAST_BESIDE + beside / quiet))
    return weights


def _fit(
    near: Phasors,
    weights: NDArray[np.float64],
    middle: int,
    numbers: NDArray[np.float64],
    close: Phasors,
    close_middle: int,
) -> tuple[Phasors, NDArray[np.float64]]:
    """Fit phasors that turn evenly; give them at `middle`, and what they leave of `close`."""
    turn = 0.0
    away = (np.arange(len(near)) - middle).astype(np.float64)
    weighted = near * weights
    for lag in _LAGS:
        if len(near) > 2 * lag:
            turn += _turn_per_hop(_turned(weighted, away, numbers, -turn), numbers, lag)
    weights = weights * (0.5 + 0.5 * np.cos(np.pi * away / (abs(away).max() + 1)))[:, None, None]
    turned = _turned(near, away, numbers, -turn)
    steady: Phasors = (weights * turned).sum(axis=0) / weights.sum(axis=0)
    off = numbers * turn * (_WINDOW_S / (2 * np.pi * HOP_S))
    steady = steady * ((1 - off**2) / np.sinc(off))[:, None]  # what the window takes off pitch
    away = (np.arange(len(close)) - close_middle).astype(np.float64)
    rest = np.abs(close - _turned(np.broadcast_to(steady, close.shape), away, numbers, turn))
    return steady, np.median(rest, axis=0)


def _turned(
    near: Phasors, away: NDArray[np.float64], numbers: NDArray[np.float64], turn: float
) -> Phasors:
    turns = np.exp(1j * turn * away[:, None] * numbers[None, :])
    turned: Phasors = near * turns[:, :, None]
    return turned


def _turn_per_hop(near: Phasors, numbers: NDArray[np.float64], lag: int) -> float:
    """Read how much the mains' phase turns from hop to hop, as far as it is sure."""
    products = (near[lag:] * near[:-lag].conj()).sum(axis=(0, 2))
    powers = (near.real**2 + near.imag**2).sum(axis=(0, 2))
    sure = np.minimum(1, np.abs(products) / np.maximum(powers, 1e-24))
    weights = np.abs(products) * sure**4
    total = float(weights @ numbers**2)
    turn = float(weights * numbers @ np.angle(products)) / total / lag if total else 0.0
    most = _MOST_OFF / float(numbers[-1])
    return min(max(turn, -most), most)


def _arc_middle(begin: Phasors, end: Phasors) -> Phasors:
    """Give the phasors halfway along the shorter arc: a straight way between them would sag."""
    half_turn = np.exp(0.5j * np.angle(end * begin.conj()))
    sizes = (np.abs(begin) + np.abs(end)) / 2
    middle: Phasors = sizes * np.exp(1j * np.angle(begin)) * half_turn
    return middle


class HumSubtraction:
    """Sound that waits until the hum under it is known."""

    def __init__(self, rate_hz: int, hum_hz: float, numbers: NDArray[np.float64]) -> None:
        self._band, self._raised = LowBand(rate_hz), RaisedBand(rate_hz)
        self._numbers, self._hum_hz = numbers, hum_hz
        beside_hz = [numbers * hum_hz + away_hz for away_hz in (0, -_BESIDE_HZ, _BESIDE_HZ)]
        self._table = window_table(np.concatenate(beside_hz), self._band.rate_hz)
        self._hop = round(HOP_S * self._band.rate_hz)
        ages = np.arange(self._hop) / self._band.rate_hz
        self._turning = np.exp(2j * np.pi * hum_hz * numbers[:, None] * ages)
        share = np.arange(self._hop) / self._hop
        tents = (
            np.maximum(0, 1 - 2 * share),
            1 - np.abs(2 * share - 1),
            np.maximum(0, 2 * share - 1),
        )
        self._tents = np.stack(tents)[:, None, :]
        self._low = np.zeros((0, 2), np.float32)
        self._first = self._hops = self._done = 0
        self._near: list[Phasors] = []
        self._beside: list[NDArray[np.float64]] = []
        self._before: Phasors | None = None
        self._turn = np.ones((len(numbers), 2), np.complex128)
        self._waiting: deque[Samples] = deque()
        self._hum: deque[Samples] = deque()

    def feed(self, block: Samples) -> list[Samples]:
        """Take a block; give the sound that is ready, its hum taken out."""
        self._waiting.append(block)
        self._low = np.concatenate((self._low, self._band.feed(block)))
        half = self._table.shape[1] // 2
        while self._hops * self._hop + half < self._first + len(self._low):
            self._read_hop()
        self._follow(last=False)
        return self._given()

    def finish(self) -> list[Samples]:
        """Give the rest."""
        self._low = np.concatenate((self._low, self._band.finish()))
        while self._hops * self._hop < self._first + len(self._low):
            self._read_hop()
        self._follow(last=True)
        known = sum(len(piece) for piece in self._hum)
        missing = max(0, sum(len(block) for block in self._waiting) - known)
        self._hum.append(np.zeros((missing, 2), np.float32))
        return self._given()

    def _read_hop(self) -> None:
        """Read the harmonics at the next hop, on a clock that runs at their pitch."""
        centre = self._hops * self._hop
        read = phasors_of(self._low, self._first, centre, self._table)
        own, below, above = np.split(read, 3)
        self._near.append(own * self._clock(self._hops).conj())
        self._beside.append((np.abs(below) ** 2 + np.abs(above) ** 2) / 2)
        self._hops += 1
        keep = max(0, centre - self._table.shape[1] - self._first)
        self._low, self._first = self._low[keep:], self._first + keep

    def _clock(self, hop: int) -> Phasors:
        turns = self._numbers * (self._hum_hz * self._hop * hop / self._band.rate_hz % 1)
        clock: Phasors = np.exp(2j * np.pi * turns)[:, None]
        return clock

    def _follow(self, *, last: bool) -> None:
        """Make the hum up to the last hop whose neighbours are all known."""
        pieces = []
        first = self._hops - len(self._near)
        while self._done < self._hops if last else self._done + REACH_HOPS < self._hops:
            begin = max(0, self._done - REACH_HOPS)
            hops = slice(begin - first, self._done + REACH_HOPS + 1 - first)
            near, beside = np.stack(self._near[hops]), np.stack(self._beside[hops])
            steady = steady_part(near, beside, self._done - begin, self._numbers)
            if self._before is not None:
                pieces.append(self._wave(self._before, steady, self._done - 1))
                self._turn = np.exp(1j * np.angle(steady * self._before.conj()))
            self._before = steady
            self._done += 1
        if last and self._before is not None:
            pieces.append(self._wave(self._before, self._before * self._turn, self._done - 1))
            pieces.append(np.zeros((self._hop, 2), np.float32))
        past = max(0, self._done - REACH_HOPS - first)
        del self._near[:past], self._beside[:past]
        if pieces:
            self._hum.append(self._raised.feed(np.concatenate(pieces)))

    def _wave(self, begin: Phasors, end: Phasors, hop: int) -> Samples:
        """Give the sum of the harmonics from one hop to the next, at the low rate."""
        clock = self._clock(hop) * self._turning
        points = np.concatenate((begin, _arc_middle(begin, end), end), axis=1).T
        waves = points.real @ clock.real - points.imag @ clock.imag
        wave = (waves.reshape(3, 2, -1) * self._tents).sum(axis=0)
        return np.ascontiguousarray(wave.T, np.float32)

    def _given(self) -> list[Samples]:
        """Give the sound under which the hum is known, without it."""
        given = []
        while self._waiting and self._hum:
            sound, hum = self._waiting.popleft(), self._hum.popleft()
            frames = min(len(sound), len(hum))
            given.append(sound[:frames] - hum[:frames])
            if frames < len(sound):
                self._waiting.appendleft(sound[frames:])
            if frames < len(hum):
                self._hum.appendleft(hum[frames:])
        return given
