"""Two finished sounds held against each other, sample by sample: what is between them.

Where they are not the same, a gain is sought by least squares, each channel for itself, and what
it leaves over is held against what dither and rounding of both may leave: an error of at most 1.5
LSB each with TPDF dither, of mean square Δ²/4 (Lipshitz, Vanderkooy, Wannamaker, J. Audio Eng. Soc.
40, 1992). So "+0.50 dB and nothing else" is a proof and no impression.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.compare.stretches import STEPS_A_SECOND, Stretch, Words
from assembler.dsp.decibels import decibels
from assembler.dsp.dither import FEEDBACK

_SAME_STEP_DB = (1e-2, 1e-3, 1e-4, 1e-5, 1e-6)
_TOLD_DB = 0.0005
"""A smaller gain than this is none: 0.001 dB on 16 bits is lost in the dither."""
_CHANCE = 8.0
"""Standard deviations by which the power of a step's noise may pass what is expected."""
_EXPLAINS = 0.1
"""A gain is told where it takes away nine tenths of the difference's power, or half of its time."""

Gains = NDArray[np.float64]


@dataclass(frozen=True)
class SoundDifference:
    """What is between two sounds, in the time of the second.

    Attributes
    ----------
    samples
        How many of each channel were compared; 0 where they have no time in common.
    differing
        How many of these are not the same.
    first_s, last_s
        When the first and the last of them is.
    differ_dbfs
        Peak of the difference; None where there is none.
    gains_db
        Gain from the first to the second, left and right; None where none explains it.
    inverted
        The polarity is turned.
    leftover_dbfs
        Peak of what the gain leaves over, or without one of the difference.
    leftover_share
        Of the time in which more is left over than dither and rounding can be.
    leftover_from_s, leftover_to_s
        When that begins and ends.
    only_a_s, only_b_s
        Length of sound, not silence, that only one of them has before or after.
    """

    samples: int
    differing: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    differ_dbfs: float | None = None
    gains_db: tuple[float, float] | None = (0.0, 0.0)
    inverted: bool = False
    leftover_dbfs: float | None = None
    leftover_share: float = 0.0
    leftover_from_s: float = 0.0
    leftover_to_s: float = 0.0
    only_a_s: float = 0.0
    only_b_s: float = 0.0

    @property
    def identical(self) -> bool:
        """Every sample is the same, and neither has sound that the other lacks."""
        return self.samples > 0 and not (self.differing or self.only_a_s or self.only_b_s)

    @property
    def gain_and_no_more(self) -> bool:
        """Nothing is left over by the gain (of 0 dB: by dither) but dither and rounding."""
        return self.gains_db is not None and self.leftover_share == 0


def sound_difference(a: Stretch, b: Stretch, shift: int = 0) -> SoundDifference:
    """Compare two stretches of finished sound of one rate and width.

    Parameters
    ----------
    a, b
        The stretches.
    shift
        Sample 0 of `b` is held against sample `shift` of `a`.

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
    left = pair.best_leftover(seen.candidates())
    explains = left.share < 0.5 or left.power < _EXPLAINS * seen.power
    scale, rate_hz = 1 << (b.bits - 1), b.rate_hz
    leftover_dbfs = decibels(left.peak / scale) if explains else decibels(seen.peak / scale)
    return SoundDifference(
        samples=count,
        differing=seen.differing,
        first_s=(b_first + seen.first) / rate_hz,
        last_s=(b_first + seen.last) / rate_hz,
        differ_dbfs=decibels(seen.peak / scale),
        gains_db=left.gains_db if explains else None,
        inverted=explains and bool((left.gains < 0).all()),
        leftover_dbfs=leftover_dbfs,
        leftover_share=left.share,
        leftover_from_s=(b_first + left.first) / rate_hz,
        leftover_to_s=(b_first + left.last) / rate_hz,
        only_a_s=only_a,
        only_b_s=only_b,
    )


def _sound_s(stretch: Stretch, first: int, last: int) -> float:
    """Give how long the sound in a part of a stretch is, from its first to its last sample."""
    places = [math.inf, -math.inf]
    position = first
    for block in stretch.words(first, last - first) if last > first else ():
        if len(rows := np.flatnonzero(block.any(axis=1))):
            places = [min(places[0], position + rows[0]), position + float(rows[-1])]
        position += len(block)
    return max(0.0, places[1] + 1 - places[0]) / stretch.rate_hz if places[1] >= 0 else 0.0


@dataclass(frozen=True)
class _Aligned:
    """Two stretches and where their common samples begin in each."""

    a: Stretch
    b: Stretch
    a_first: int
    b_first: int
    count: int

    def blocks(self) -> Iterator[tuple[Words, Words]]:
        sides = ((self.a, self.a_first), (self.b, self.b_first))
        return zip(*(one.words(first, self.count) for one, first in sides), strict=True)

    def best_leftover(self, candidates: Sequence[Gains]) -> _Leftover:
        """Give what the best of some gains leaves over; of equal ones the first is the best."""
        lefts = [_Leftover(gains, self.a, self.b) for gains in candidates]
        for block_a, block_b in self.blocks():
            for left in lefts:
                left.add(block_a, block_b)
        return min(lefts, key=lambda left: (left.share, 0 if left.share == 0 else left.power))


class _Sums:
    """A first look: which samples differ, and the sums that gains are made of."""

    def __init__(self, rate_hz: int) -> None:
        self._step = rate_hz // STEPS_A_SECOND
        self._position = 0
        self._squares: list[Gains] = []
        self._products: list[Gains] = []
        self.differing = self.first = self.last = 0
        self.peak = 0
        self.power = 0.0

    def add(self, a: Words, b: Words) -> None:
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
        """Give gains to try: none, that of most steps, and that of the whole."""
        squares, products = np.concatenate(self._squares), np.concatenate(self._products)
        channels = [_gains_of(squares[:, c], products[:, c]) for c in range(squares.shape[1])]
        return [np.array(gains) for gains in dict.fromkeys(zip(*channels, strict=True))]


def _steps(values: Gains, step: int) -> Gains:
    """Add up each step's values, channel by channel."""
    sums: Gains = np.add.reduceat(values, np.arange(0, len(values), step))
    return sums


def _gains_of(squares: Gains, products: Gains) -> tuple[float, float, float]:
    """Give a channel's gains to try; the second is that of the steps about their median."""
    sounding = squares > 0
    if not sounding.any():
        return 1.0, 1.0, 1.0
    weights, steps = squares[sounding], products[sounding] / squares[sounding]
    order = np.argsort(steps)
    middle = np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2)
    median = float(steps[order][min(middle, len(steps) - 1)])
    return 1.0, _of_most(steps, weights, median), float(products.sum() / squares.sum())


def _of_most(steps: Gains, weights: Gains, median: float) -> float:
    """Give the mean gain of the steps that agree with the median, ever more closely.

    A limiter that lets go slowly bends steps by less and less; those are not to count.
    """
    gain, there = median, weights.sum()
    for apart_db in _SAME_STEP_DB:
        near = np.abs(steps - gain) <= abs(gain) * (10 ** (apart_db / 20) - 1)
        if weights[near].sum() < there / 2:
            break
        there = weights[near].sum()
        gain = float((weights * steps)[near].sum() / there)
    return gain


class _Leftover:
    """A second look: what a gain leaves over, and where it is more than dither and rounding."""

    def __init__(self, gains: Gains, a: Stretch, b: Stretch) -> None:
        self.gains = gains
        sizes = np.maximum(np.abs(gains), 1e-9)
        self._step = a.rate_hz // STEPS_A_SECOND
        self._most = sizes * most_error(a) + most_error(b)
        self._mean_square = sizes**2 * _error_power(a) + _error_power(b)
        self._samples = self._beyond = 0
        self.first = self.last = 0
        self.peak = self.power = 0.0

    def add(self, a: Words, b: Words) -> None:
        left = a * self.gains
        np.subtract(b, left, out=left)
        size = np.abs(left)
        self.peak = max(self.peak, float(size.max()))
        beyond: NDArray[np.bool_] = np.any(size > self._most, axis=1)
        squares = _steps(np.square(left, out=left), self._step)
        self.power += float(squares.sum())
        loud = squares > self._loudest(len(a))[:, None] * self._mean_square
        for step in np.flatnonzero(loud.any(axis=1)):
            of_step = beyond[step * self._step : (step + 1) * self._step]
            if not of_step.any():  # else it is known more closely
                of_step[:] = True
        rows = np.flatnonzero(beyond)
        if len(rows):
            if not self._beyond:
                self.first = self._samples + int(rows[0])
            self.last = self._samples + int(rows[-1])
            self._beyond += len(rows)
        self._samples += len(a)

    def _loudest(self, count: int) -> Gains:
        """Give the samples of each step, and what its noise may be louder by chance."""
        lengths = np.diff([*range(0, count, self._step), count]).astype(np.float64)
        return lengths + _CHANCE * np.sqrt(2 * lengths)

    @property
    def share(self) -> float:
        """Give the share of the time in which it is more."""
        return self._beyond / self._samples

    @property
    def gains_db(self) -> tuple[float, float]:
        left, right = (20 * math.log10(max(abs(gain), 1e-9)) for gain in self.gains)
        return _told(left), _told(right)


def _told(gain_db: float) -> float:
    return 0.0 if abs(gain_db) < _TOLD_DB else gain_db


def _growth(stretch: Stretch) -> Sequence[float]:
    """Give the weights by which shaping adds past errors; none without shaping."""
    shaped = stretch.dither == "shaped" and stretch.bits == 16
    return FEEDBACK.get(stretch.rate_hz, ()) if shaped else ()


def most_error(stretch: Stretch) -> float:
    """Return the largest error of a sample in LSB; 24 bits are the last of float32's."""
    plain = 0.5 if stretch.dither == "none" and stretch.bits == 16 else 1.5
    float_error = 0.5 if stretch.bits == 24 else 0.0
    return plain * (1 + sum(map(abs, _growth(stretch)))) + float_error


def _error_power(stretch: Stretch) -> float:
    """Give the mean square of a word's error in LSB²."""
    plain = 1 / 12 if stretch.dither == "none" and stretch.bits == 16 else 1 / 4
    float_error = 1 / 12 if stretch.bits == 24 else 0.0
    return plain * (1 + sum(weight**2 for weight in _growth(stretch))) + float_error
