"""Null test of two finished recordings, with the gain that gives the lowest residual.

If they differ, the gain of each channel is found by least squares, and the residual is compared
with the error of dither and rounding in both: at most 1.5 LSB each with TPDF dither, of mean square
Δ²/4 (Lipshitz, Vanderkooy, Wannamaker, J. Audio Eng. Soc. 40, 1992). "Only the level changed" is
therefore measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.compare.stretches import STEPS_PER_SECOND, Pcm, Stretch
from assembler.dsp.decibels import decibels
from assembler.dsp.dither import FEEDBACK

_SAME_STEP_DB = (1e-2, 1e-3, 1e-4, 1e-5, 1e-6)
_LEAST_DB = 0.0005
"""Smaller gains are zero: 0.001 dB at 16 bits is lost in the dither."""
_DEVIATIONS = 8.0
"""Standard deviations that the noise power of a step may exceed its expected value by."""
_EXPLAINS = 0.1
"""A gain counts if it removes nine tenths of the power of the difference, or half of its time."""

Gains = NDArray[np.float64]


@dataclass(frozen=True)
class SoundDifference:
    """The result of a null test, in the time of the second recording.

    Attributes
    ----------
    samples
        Number compared per channel; 0 if there is no common part.
    differing
        Number of these that differ.
    first_s, last_s
        Times of the first and the last of them.
    differ_dbfs
        Peak of the difference; None if there is none.
    gains_db
        Gain from the first to the second, left and right; None if no gain explains the difference.
    inverted
        The polarity is inverted.
    residual_dbfs
        Peak of the residual after the gain; without a gain, of the difference.
    residual_share
        Share of the time in which the residual exceeds dither and rounding.
    residual_from_s, residual_to_s
        Start and end of that time.
    only_a_s, only_b_s
        Length of sound, not silence, that only one of them has before or after the common part.
    """

    samples: int
    differing: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    differ_dbfs: float | None = None
    gains_db: tuple[float, float] | None = (0.0, 0.0)
    inverted: bool = False
    residual_dbfs: float | None = None
    residual_share: float = 0.0
    residual_from_s: float = 0.0
    residual_to_s: float = 0.0
    only_a_s: float = 0.0
    only_b_s: float = 0.0

    @property
    def identical(self) -> bool:
        """Every sample nulls, and neither has sound that the other lacks."""
        return self.samples > 0 and not (self.differing or self.only_a_s or self.only_b_s)

    @property
    def gain_and_no_more(self) -> bool:
        """The residual after the gain is no more than dither and rounding."""
        return self.gains_db is not None and self.residual_share == 0


def sound_difference(a: Stretch, b: Stretch, shift: int = 0) -> SoundDifference:
    """Run a null test of two recordings of one rate and word length.

    Parameters
    ----------
    a, b
        The recordings.
    shift
        Sample 0 of `b` is aligned with sample `shift` of `a`.

    Raises
    ------
    UnreadableError
        A file can't be read.
    """
    a_first, b_first = max(0, shift), max(0, -shift)
    count = min(a.length - a_first, b.length - b_first)
    if count <= 0:
        apart = (_sound_s(one, 0, one.length) for one in (a, b))
        return SoundDifference(0, only_a_s=next(apart), only_b_s=next(apart), gains_db=None)
    only_a, only_b = (
        _sound_s(one, 0, first) + _sound_s(one, first + count, one.length)
        for one, first in ((a, a_first), (b, b_first))
    )
    pair = _Aligned(a, b, a_first, b_first, count)
    seen = _Sums(a.rate_hz)
    for block_a, block_b in pair.blocks():
        seen.add(block_a, block_b)
    if not seen.differing:
        return SoundDifference(count, only_a_s=only_a, only_b_s=only_b)
    residual = pair.lowest_residual(seen.candidates())
    explains = residual.share < 0.5 or residual.power < _EXPLAINS * seen.power
    scale, rate_hz = 1 << (b.bits - 1), b.rate_hz
    residual_dbfs = decibels(residual.peak / scale) if explains else decibels(seen.peak / scale)
    return SoundDifference(
        samples=count,
        differing=seen.differing,
        first_s=(b_first + seen.first) / rate_hz,
        last_s=(b_first + seen.last) / rate_hz,
        differ_dbfs=decibels(seen.peak / scale),
        gains_db=residual.gains_db if explains else None,
        inverted=explains and bool((residual.gains < 0).all()),
        residual_dbfs=residual_dbfs,
        residual_share=residual.share,
        residual_from_s=(b_first + residual.first) / rate_hz,
        residual_to_s=(b_first + residual.last) / rate_hz,
        only_a_s=only_a,
        only_b_s=only_b,
    )


def _sound_s(stretch: Stretch, first: int, last: int) -> float:
    """Return the length of the sound in a part, from its first to its last non-zero sample."""
    places = [math.inf, -math.inf]
    position = first
    for block in stretch.pcm(first, last - first) if last > first else ():
        if len(rows := np.flatnonzero(block.any(axis=1))):
            places = [min(places[0], position + rows[0]), position + float(rows[-1])]
        position += len(block)
    return max(0.0, places[1] + 1 - places[0]) / stretch.rate_hz if places[1] >= 0 else 0.0


@dataclass(frozen=True)
class _Aligned:
    """Two recordings and the start of their common part in each."""

    a: Stretch
    b: Stretch
    a_first: int
    b_first: int
    count: int

    def blocks(self) -> Iterator[tuple[Pcm, Pcm]]:
        sides = ((self.a, self.a_first), (self.b, self.b_first))
        return zip(*(one.pcm(first, self.count) for one, first in sides), strict=True)

    def lowest_residual(self, candidates: Sequence[Gains]) -> _Residual:
        """Return the lowest residual of several gains; of equal ones the first."""
        residuals = [_Residual(gains, self.a, self.b) for gains in candidates]
        for block_a, block_b in self.blocks():
            for residual in residuals:
                residual.add(block_a, block_b)
        return min(
            residuals,
            key=lambda residual: (residual.share, 0 if residual.share == 0 else residual.power),
        )


class _Sums:
    """First pass: which samples differ, and the sums for the gains."""

    def __init__(self, rate_hz: int) -> None:
        self._step = rate_hz // STEPS_PER_SECOND
        self._position = 0
        self._squares: list[Gains] = []
        self._products: list[Gains] = []
        self.differing = self.first = self.last = 0
        self.peak = 0
        self.power = 0.0

    def add(self, a: Pcm, b: Pcm) -> None:
        apart = b - a
        rows = np.flatnonzero(apart.any(axis=1))
        if len(rows):
            if not self.differing:
                self.first = self._position + int(rows[0])
            self.last = self._position + int(rows[-1])
            self.differing += len(rows)
            self.peak = max(self.peak, int(apart.max()), -int(apart.min()))
            self.power += float(np.vdot(apart := apart.astype(float), apart))
        self._position += len(a)
        exact = a.astype(np.float64)
        self._squares.append(_steps(exact * exact, self._step))
        same = not len(rows)
        self._products.append(self._squares[-1] if same else _steps(exact * b, self._step))

    def candidates(self) -> list[Gains]:
        """Return gains to try: none, that of most steps, and that of the whole."""
        squares, products = np.concatenate(self._squares), np.concatenate(self._products)
        channels = [_gains_of(squares[:, c], products[:, c]) for c in range(squares.shape[1])]
        return [np.array(gains) for gains in dict.fromkeys(zip(*channels, strict=True))]


def _steps(values: Gains, step: int) -> Gains:
    """Return the sum of each step, per channel."""
    sums: Gains = np.add.reduceat(values, np.arange(0, len(values), step))
    return sums


def _gains_of(squares: Gains, products: Gains) -> tuple[float, float, float]:
    """Return a channel's gains to try; the second is that of the steps about their median."""
    sounding = squares > 0
    if not sounding.any():
        return 1.0, 1.0, 1.0
    weights, steps = squares[sounding], products[sounding] / squares[sounding]
    order = np.argsort(steps)
    middle = np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2)
    median = float(steps[order][min(middle, len(steps) - 1)])
    return 1.0, _of_most(steps, weights, median), float(products.sum() / squares.sum())


def _of_most(steps: Gains, weights: Gains, median: float) -> float:
    """Return the mean gain of the steps close to the median, in narrowing bands.

    During a limiter's release the gain of the steps drifts; those must not count.
    """
    gain, total = median, weights.sum()
    for apart_db in _SAME_STEP_DB:
        near = np.abs(steps - gain) <= abs(gain) * (10 ** (apart_db / 20) - 1)
        if weights[near].sum() < total / 2:
            break
        total = weights[near].sum()
        gain = float((weights * steps)[near].sum() / total)
    return gain


class _Residual:
    """Second pass: the residual after a gain, and where it exceeds dither and rounding."""

    def __init__(self, gains: Gains, a: Stretch, b: Stretch) -> None:
        self.gains = gains
        sizes = np.maximum(np.abs(gains), 1e-9)
        self._step = a.rate_hz // STEPS_PER_SECOND
        self._most = sizes * most_error(a) + most_error(b)
        self._mean_square = sizes**2 * _error_power(a) + _error_power(b)
        self._samples = self._beyond = 0
        self.first = self.last = 0
        self.peak = self.power = 0.0

    def add(self, a: Pcm, b: Pcm) -> None:
        residual = a * self.gains
        np.subtract(b, residual, out=residual)
        size = np.abs(residual)
        self.peak = max(self.peak, float(size.max()))
        beyond: NDArray[np.bool_] = np.any(size > self._most, axis=1)
        squares = _steps(np.square(residual, out=residual), self._step)
        self.power += float(squares.sum())
        loud = squares > self._loudest(len(a))[:, None] * self._mean_square
        for step in np.flatnonzero(loud.any(axis=1)):
            of_step = beyond[step * self._step : (step + 1) * self._step]
            if not of_step.any():  # where the samples are not known yet
                of_step[:] = True
        rows = np.flatnonzero(beyond)
        if len(rows):
            if not self._beyond:
                self.first = self._samples + int(rows[0])
            self.last = self._samples + int(rows[-1])
            self._beyond += len(rows)
        self._samples += len(a)

    def _loudest(self, count: int) -> Gains:
        """Return the samples of each step, plus the allowance for chance."""
        lengths = np.diff([*range(0, count, self._step), count]).astype(np.float64)
        return lengths + _DEVIATIONS * np.sqrt(2 * lengths)

    @property
    def share(self) -> float:
        """Share of the time in which the residual exceeds dither and rounding."""
        return self._beyond / self._samples

    @property
    def gains_db(self) -> tuple[float, float]:
        left, right = (20 * math.log10(max(abs(gain), 1e-9)) for gain in self.gains)
        return _nonzero(left), _nonzero(right)


def _nonzero(gain_db: float) -> float:
    return 0.0 if abs(gain_db) < _LEAST_DB else gain_db


def _growth(stretch: Stretch) -> Sequence[float]:
    """Return the filter of the noise shaping; empty without shaping."""
    shaped = stretch.dither == "shaped" and stretch.bits == 16
    return FEEDBACK.get(stretch.rate_hz, ()) if shaped else ()


def most_error(stretch: Stretch) -> float:
    """Return the largest error of a sample in LSB; 24 bits add the rounding of float32."""
    plain = 0.5 if stretch.dither == "none" and stretch.bits == 16 else 1.5
    float_error = 0.5 if stretch.bits == 24 else 0.0
    return plain * (1 + sum(map(abs, _growth(stretch)))) + float_error


def _error_power(stretch: Stretch) -> float:
    """Return the mean square error of a sample in LSB²."""
    plain = 1 / 12 if stretch.dither == "none" and stretch.bits == 16 else 1 / 4
    float_error = 1 / 12 if stretch.bits == 24 else 0.0
    return plain * (1 + sum(weight**2 for weight in _growth(stretch))) + float_error
