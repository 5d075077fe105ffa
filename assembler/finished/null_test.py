"""Null test of two finished recordings, with the gain that gives the lowest residual.

If they differ, the gain of each channel is found by least squares, and the residual is compared
with the error of dither and rounding in both: at most 1.5 LSB each with TPDF dither, of mean square
Δ²/4 (Lipshitz, Vanderkooy, Wannamaker, J. Audio Eng. Soc. 40, 1992). "Only the level changed" is
therefore measured.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.decibels import decibels
from assembler.finished.pcm import STEPS_PER_SECOND, Pcm, Stretch
from assembler.text import clock_text, decimal, signed

_LEAST_DB = 0.0005
"""Smaller gains are zero: 0.001 dB at 16 bits is lost in the dither."""
_DEVIATIONS = 8.0
"""Standard deviations that the noise power of a step may exceed its expected value by."""
_SAME_DB = 0.005
_HUNDREDTH_DB = 0.01
_EXPLAINS = 0.1
"""A gain counts if it removes nine tenths of the power of the difference, or half of its time."""

Values = NDArray[np.float64]


@dataclass(frozen=True)
class SoundDifference:
    """The result of a null test, in the time of the second recording.

    Attributes
    ----------
    samples
        Number compared per channel; 0 if there is no common part.
    differing
        Number of these that differ.
    gains_db
        Gain from the first to the second, left and right; None if no gain explains the difference.
    inverted
        The polarity is inverted.
    residual_dbfs
        Peak of the residual after the gain; without a gain, of the difference.
    residual_share
        Share of the time in which the residual exceeds dither and rounding.
    residual_from_s, residual_to_s
        Start and end of that time; if there is none, of the difference.
    only_a_s, only_b_s
        Length of sound, not silence, that only one of them has before or after the common part.
    """

    samples: int
    differing: int = 0
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
    def only_gain(self) -> bool:
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
    firsts = max(0, shift), max(0, -shift)
    count = min(a.length - firsts[0], b.length - firsts[1])
    if count <= 0:
        firsts, count = (0, 0), 0
    only_a, only_b = (
        _sound_s(one, 0, first) + _sound_s(one, first + count, one.length)
        for one, first in zip((a, b), firsts, strict=True)
    )
    found = SoundDifference(count, only_a_s=only_a, only_b_s=only_b)
    if not count:
        return replace(found, gains_db=None)

    def blocks() -> Iterator[tuple[Pcm, Pcm]]:
        return zip(a.pcm(firsts[0], count), b.pcm(firsts[1], count), strict=True)

    apart = _Residual(np.ones(2), a, b)
    gains = _gains(blocks(), apart)
    if not apart.differing.count:
        return found
    others = [_Residual(one, a, b) for one in gains]
    for block_a, block_b in blocks():
        for other in others:
            other.add(block_a, block_b)
    residual = min(apart, *others, key=lambda one: (one.share, one.power if one.share else 0))
    explains = residual.share < 0.5 or residual.power < _EXPLAINS * apart.power
    span = residual.beyond if explains and residual.share else apart.differing
    return replace(
        found,
        differing=apart.differing.count,
        gains_db=residual.gains_db if explains else None,
        inverted=explains and bool((residual.gains < 0).all()),
        residual_dbfs=decibels((residual if explains else apart).peak / (1 << (b.bits - 1))),
        residual_share=residual.share,
        residual_from_s=(firsts[1] + span.first) / b.rate_hz,
        residual_to_s=(firsts[1] + span.last) / b.rate_hz,
    )


class _Marked:
    """The samples that are marked, block by block: how many, the first and the last."""

    def __init__(self) -> None:
        self.position = self.count = self.first = self.last = 0

    def add(self, marked: Any) -> None:
        rows = np.flatnonzero(marked)
        if len(rows):
            if not self.count:
                self.first = self.position + int(rows[0])
            self.last = self.position + int(rows[-1])
            self.count += len(rows)
        self.position += len(marked)


def _sound_s(stretch: Stretch, first: int, last: int) -> float:
    """Return the length of the sound in a part, from its first to its last non-zero sample."""
    sound = _Marked()
    for block in stretch.pcm(first, last - first):
        sound.add(block.any(axis=1))
    return (sound.last + 1 - sound.first) / stretch.rate_hz if sound.count else 0.0


class _Residual:
    """The residual after a gain, and where it exceeds dither and rounding."""

    def __init__(self, gains: Values, a: Stretch, b: Stretch) -> None:
        self.gains = gains
        sizes = np.maximum(np.abs(gains), 1e-9)
        self._step = a.rate_hz // STEPS_PER_SECOND
        self._most = sizes * a.most_error + b.most_error
        self._mean_square = sizes**2 * a.error_power + b.error_power
        self.differing, self.beyond = _Marked(), _Marked()
        self.peak = self.power = 0.0

    def add(self, a: Pcm, b: Pcm) -> None:
        residual = b - a * self.gains
        size = np.abs(residual)
        squares = self.step_sums(residual * residual)
        edges = np.arange(0, len(a), self._step)
        lengths = np.diff([*edges, len(a)])
        chance = _DEVIATIONS * np.sqrt(2 * lengths)
        loud = (squares > (lengths + chance)[:, None] * self._mean_square).any(axis=1)
        beyond = (size > self._most).any(axis=1)
        unlocated = loud & ~np.logical_or.reduceat(beyond, edges)
        self.beyond.add(beyond | np.repeat(unlocated, lengths))
        self.differing.add(size.any(axis=1))
        self.peak = max(self.peak, float(size.max()))
        self.power += float(squares.sum())

    def step_sums(self, values: Values) -> Values:
        """Return the sum of each step, per channel."""
        sums: Values = np.add.reduceat(values, np.arange(0, len(values), self._step))
        return sums

    @property
    def share(self) -> float:
        """Share of the time in which the residual exceeds dither and rounding."""
        return self.beyond.count / self.beyond.position

    @property
    def gains_db(self) -> tuple[float, float]:
        gains_db = 20 * np.log10(np.maximum(np.abs(self.gains), 1e-9))
        left, right = np.where(np.abs(gains_db) < _LEAST_DB, 0.0, gains_db).tolist()
        return left, right


def _gains(blocks: Iterator[tuple[Pcm, Pcm]], apart: _Residual) -> tuple[Values, Values]:
    """Return two gains of each channel: that of the median step, and that of the whole.

    The blocks are added to `apart`, the residual without a gain.
    """
    of_blocks = []
    for a, b in blocks:
        apart.add(a, b)
        exact = a.astype(np.float64)
        of_blocks.append((apart.step_sums(exact * exact), apart.step_sums(exact * b)))
    squares, products = map(np.concatenate, zip(*of_blocks, strict=True))
    median, whole = np.ones(2), np.ones(2)
    for channel in range(2):
        sounding = squares[:, channel] > 0
        weights = squares[sounding, channel]
        if len(weights):
            steps = products[sounding, channel] / weights
            order = np.argsort(steps)
            middle = np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2)
            median[channel] = steps[order][min(middle, len(steps) - 1)]
            whole[channel] = weights @ steps / weights.sum()
    return median, whole


def sound_text(found: SoundDifference, names: tuple[str, str] = ("A", "B")) -> str:
    """Write the result of a null test of two recordings with these names.

    Examples
    --------
    >>> sound_text(SoundDifference(44100, 9, gains_db=(0.5, 0.5)))
    'only the level changed (+0.50 dB, nulls)'
    """
    only = zip(names, (found.only_a_s, found.only_b_s), strict=True)
    texts = [f"{length_s:.2f} s of audio only in {name}" for name, length_s in only if length_s]
    return ", ".join([_common_text(found), *texts])


def _common_text(found: SoundDifference) -> str:
    if not found.samples:
        return "no common audio"
    if not found.differing:
        return "the common part nulls"
    times = f"{clock_text(found.residual_from_s)} to {clock_text(found.residual_to_s)}"
    residual = f"residual peaks at {decimal(found.residual_dbfs)} dBFS, {times}"
    if found.gains_db is None:
        return residual
    if not any(found.gains_db) and not found.inverted:
        return f"{'differs by no more than dither, ' if found.only_gain else ''}{residual}"
    gain = _gain_text(found.gains_db, found.inverted)
    if found.only_gain:
        return f"only the level changed ({gain}, nulls)"
    return f"level changed by {gain}; {residual} ({found.residual_share:.1%} of the time)"


def _gain_text(gains_db: tuple[float, float], inverted: bool) -> str:
    """Write a gain, of each channel if they differ."""
    digits = [3 if 0 < abs(gain) < _HUNDREDTH_DB else 2 for gain in gains_db]
    left, right = (f"{signed(*gain)} dB" for gain in zip(gains_db, digits, strict=True))
    text = left if abs(gains_db[0] - gains_db[1]) < _SAME_DB else f"left {left}, right {right}"
    return f"polarity inverted, {text}" if inverted else text
