"""Estimate the speed error of a transfer from the tuning of its music.

The long tones of most music are on the twelve steps of one tuning. How far they all are from the
steps of A = 440 Hz shows the speed if the music was tuned to that; by whole semitones the speed can
be off unseen. The mode of the circle of deviations: M. Müller, "Fundamentals of Music Processing",
section 3.1, from memory. Limits: tuned empirically on 23 pieces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.restoration.analysis.partials import Partials

CONCERT_HZ = 440.0
_SEMITONE = 100.0
_HIGHEST_HZ = 1000.0
"""Above it are mostly overtones, and the fifth and the seventh are off their nearest step."""
_SHORTEST_S = 0.35
_STEADY_CENTS = 6.0
_LEAST_SPREAD = 3e-4
_NEAR_CENTS = 10.0
_LEAST_SHARE = 0.7
"""Of the tones; without any tuning 0.2 of them are near."""
_FEWEST_TONES = 20
_FEWEST_STEPS = 3
"""Of the twelve; a drum or a drone is on one or two."""
_PART_CENTS = 5.0
"""Halves of the side that are further apart have two tunings."""


@dataclass(frozen=True)
class TuningReading:
    """Tuning of the long tones of a side."""

    cents: float | None
    """From the nearest step of A = 440 Hz, −50 to 50; None if not determined."""
    share: float = 0.0
    """Share of the tones within 10 cents of it, by length and level."""
    tones: int = 0
    reason: str = ""
    """Why it is not determined; empty if it is."""

    @property
    def a_hz(self) -> float | None:
        """The frequency of A, nearest 440 Hz."""
        return None if self.cents is None else CONCERT_HZ * 2 ** (self.cents / 1200)


@dataclass(frozen=True, eq=False)
class _Tones:
    cents: NDArray[np.float64]
    weights: NDArray[np.float64]
    begins: NDArray[np.int32]
    """First moment of each."""

    def before(self, moment: float, *, after: bool = False) -> _Tones:
        """Return those that begin before a moment, or those that do not."""
        own = (self.begins >= moment) == after
        return _Tones(self.cents[own], self.weights[own], self.begins[own])


def tuning_of(partials: Partials) -> TuningReading:
    """Estimate the tuning of the long tones.

    Parameters
    ----------
    partials
        Of the side.
    """
    tones = _long_tones(partials)
    if len(tones.cents) < _FEWEST_TONES:
        return TuningReading(None, tones=len(tones.cents), reason="too few long tones")
    cents, share = _common(tones)
    if share < _LEAST_SHARE:
        reason = "the long tones do not agree on one tuning"
        return TuningReading(None, share, len(tones.cents), reason)
    if _steps(tones, cents) < _FEWEST_STEPS:
        return TuningReading(None, share, len(tones.cents), "the long tones are all on a few steps")
    middle = float(np.median(tones.begins))
    parts = [tones.before(middle), tones.before(middle, after=True)]
    before, after = (_common(part)[0] for part in parts)
    if abs(_wrapped(np.array(after - before))) > _PART_CENTS:
        reason = "the tuning changes over the side"
        return TuningReading(None, share, len(tones.cents), reason)
    return TuningReading(cents, share, len(tones.cents))


def _wrapped(cents: NDArray[np.float64]) -> NDArray[np.float64]:
    wrapped: NDArray[np.float64] = (cents + _SEMITONE / 2) % _SEMITONE - _SEMITONE / 2
    return wrapped


def _long_tones(partials: Partials) -> _Tones:
    """Return partials that are long, steady and not too high."""
    order = np.argsort(partials.tracks, kind="stable")
    if not len(order):
        return _Tones(np.zeros(0), np.zeros(0), np.zeros(0, np.int32))
    starts = np.flatnonzero(np.diff(partials.tracks[order], prepend=-1))
    lengths = np.diff(np.append(starts, len(order)))
    cents = 1200 * np.log2(partials.hz[order] / CONCERT_HZ).astype(np.float64)
    weights = 1 / (partials.spreads[order].astype(np.float64) ** 2 + _LEAST_SPREAD**2)
    totals = np.add.reduceat(weights, starts)
    means = np.add.reduceat(weights * cents, starts) / totals
    squares = (cents - np.repeat(means, lengths)) ** 2
    spreads = np.sqrt(np.add.reduceat(weights * squares, starts) / totals)
    powers = np.add.reduceat(partials.powers[order], starts) / lengths
    kept = (
        (lengths * partials.step_s >= _SHORTEST_S)
        & (means < 1200 * np.log2(_HIGHEST_HZ / CONCERT_HZ))
        & (spreads < _STEADY_CENTS)
    )
    loudness = lengths * partials.step_s * powers**0.25
    return _Tones(means[kept], loudness[kept], partials.moments[order][starts][kept])


def _steps(tones: _Tones, cents: float) -> int:
    """Return on how many of the twelve steps there are tones, each with 3 % of them or more."""
    numbers = np.round((tones.cents - cents) / _SEMITONE).astype(np.int64) % 12
    shares = np.bincount(numbers, tones.weights) / tones.weights.sum()
    return int((shares >= 0.03).sum())


def _common(tones: _Tones) -> tuple[float, float]:
    """Return where most tones are between two steps, and the share that is near."""
    steps = np.arange(-50, 50, 0.5)
    apart = _wrapped(tones.cents - steps[:, None])
    density = (tones.weights * np.exp(-0.5 * (apart / (0.6 * _NEAR_CENTS)) ** 2)).sum(axis=1)
    cents = steps[density.argmax()]
    for _ in range(5):
        own = _wrapped(tones.cents - cents)
        weights = tones.weights * np.exp(-0.5 * (own / _NEAR_CENTS) ** 2)
        cents += (weights * own).sum() / weights.sum()
    near = np.abs(_wrapped(tones.cents - cents)) < _NEAR_CENTS
    share = float(tones.weights[near].sum() / tones.weights.sum())
    return float(_wrapped(cents)), share
