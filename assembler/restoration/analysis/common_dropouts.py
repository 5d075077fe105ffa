"""Find dropouts of both channels at once: gaps in which all bands fall together and return.

The weights of the signs (`gaps`) were fitted by logistic regression (Cox, J. R. Stat. Soc. B 20,
1958, from memory) on music made by code, gated and chopped music with and without tape noise among
it, and real music, with dropouts of 12 to 30 dB: 48 passages, 32 min. `tests/bench/dropouts.py`
fits them and judges them on others. On 26 passages of other pieces and seeds (24 min, 16 of them
real music, some mono) it found 71, 89 and 95 % of dropouts of 12, 20 and 30 dB, and nothing in the
same passages without dropouts; the dropout meter as a whole had 0.13 false alarms per minute on
them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.gaps import (
    AROUND_STEPS,
    LONGEST_STEPS,
    Edges,
    Levels,
    apart,
    gaps_of,
    levels_of,
    likeness,
    sound_around,
    surroundings,
)

_CHUNK = 2000
"""Steps that are searched at once, with those around them."""
_SEARCHED = _CHUNK + 2 * AROUND_STEPS + LONGEST_STEPS
PIECE = 1 << 15
"""Most samples fed at once."""
_NEAR_STEPS = 2000
_MOST_ALIKE = 6
"""With more gaps of its length nearby, a gap belongs to the music."""
_LEAST_DEPTH_DB, _MOST_DEPTH_DB = 5.0, 60.0
"""Below a deeper gap is no tape noise: it is a rest in a digital recording."""
_FLOOR_PERCENT, _AT_FLOOR_DB = 1, 4.0
_MOST = 4.0
"""Features are limited to this, in either direction."""


@dataclass(frozen=True)
class Gap:
    """A gap that may be a dropout: where and how deep it is, and what was measured of it."""

    edges: Edges
    depth_db: float
    features: dict[str, float]
    lowest_db: Levels
    """Lowest level of each band of the dropout meter."""


CONSTANT = -2.366
WEIGHTS = {
    "fall": 0.964,
    "rise": -0.250,
    "lesser_edge": 1.894,
    "edges_differ": -0.553,
    "change": -0.328,
    "most_change": -0.220,
    "length": -0.180,
    "least_depth": 1.174,
    "low_depth": 0.440,
    "uneven": -1.452,
    "below": 0.091,
    "top_depth": 0.335,
    "top_fall": 0.278,
    "top_below": 0.808,
    "balance": -0.376,
    "balance_moves": -0.487,
    "contrast": 0.447,
    "under_lowest": 0.625,
    "as_low": -0.258,
    "half_low": -0.293,
    "near": -0.474,
    "alike": -0.885,
    "under_floor": 0.467,
    "all_under_floor": 0.878,
    "over_floor": 0.298,
    "at_floor": -0.858,
}
"""Weight of each feature in the log odds of a dropout."""


class CommonDropoutSearch:
    """Search of a stereo stream, chunk by chunk."""

    def __init__(self, rate_hz: int, step: int) -> None:
        self._rate_hz, self._step = rate_hz, step
        pieces = _SEARCHED * step + 2 * PIECE
        self._sound = np.zeros((pieces, 2), np.float32)
        self._levels = np.zeros((pieces // step, 4))
        self._samples = self._steps = 0
        self._base = 0
        self._gaps: list[Gap] = []

    def feed(self, piece: Samples, powers: NDArray[np.float32]) -> None:
        """Add a piece, and the powers of the steps that it completes: shape (steps, 2, bands)."""
        both = powers.sum(1, dtype=np.float64) / self._step
        self._sound[self._samples : self._samples + len(piece)] = piece
        self._levels[self._steps : self._steps + len(both)] = levels_of(both)
        self._samples, self._steps = self._samples + len(piece), self._steps + len(both)
        if self._steps >= _SEARCHED:
            self._gaps += self._found(_SEARCHED, self._base + AROUND_STEPS + _CHUNK)
            self._samples -= _CHUNK * self._step
            self._sound[: self._samples] = self._sound[_CHUNK * self._step :][: self._samples]
            self._steps -= _CHUNK
            self._levels[: self._steps] = self._levels[_CHUNK:][: self._steps]
            self._base += _CHUNK

    def candidates(self, floors_db: Levels) -> list[tuple[Gap, dict[str, float]]]:
        """Return the gaps so far, each with all that `WEIGHTS` weighs.

        `floors_db` are the lowest levels of the side in the bands of the dropout meter.
        """
        gaps = [*self._gaps, *self._found(self._steps, self._base + self._steps)]
        edges = [gap.edges for gap in gaps]
        kept = apart(edges, [one.fall_db + one.rise_db for one in edges])
        others = np.array([(edges[n].first, edges[n].last) for n in kept]).reshape(-1, 2)
        found = []
        for gap in gaps:
            near, alike = _counts(others, gap.edges)
            if alike > _MOST_ALIKE or not _LEAST_DEPTH_DB <= gap.depth_db <= _MOST_DEPTH_DB:
                continue
            counts = {"near": math.log(1 + near), "alike": math.log(1 + alike)}
            values = {**gap.features, **counts, **_floor_features(gap.lowest_db - floors_db)}
            limited = {name: min(max(value, -_MOST), _MOST) for name, value in values.items()}
            found.append((gap, limited))
        return found

    def _found(self, steps: int, end: int) -> list[Gap]:
        """Return the gaps that begin before a step, and not in the chunk before."""
        levels = self._levels[:steps]
        start = self._base + AROUND_STEPS if self._base else 0
        around = sound_around(self._rate_hz)
        found = []
        for edges in gaps_of(levels):
            if not start <= self._base + edges.first < end:
                continue
            first, last = (round((n + 0.5) * self._step) for n in (edges.first, edges.last))
            if first < around or last + around > self._samples:
                continue
            sound = self._sound[first - around : last + around]
            if measured := likeness(sound, self._rate_hz, edges):
                depth_db, features = measured
                lowest = levels[edges.first : edges.last + 1].min(0)
                moved = Edges(
                    self._base + edges.first,
                    self._base + edges.last,
                    edges.fall_db,
                    edges.rise_db,
                    edges.depth_db,
                )
                found.append(
                    Gap(moved, depth_db, {**features, **surroundings(levels, edges)}, lowest)
                )
        return found


def likely_dropouts(candidates: Sequence[tuple[Gap, dict[str, float]]]) -> list[Gap]:
    """Return the candidates that are dropouts; the likeliest of those that overlap."""
    likely = [(odds, gap) for gap, features in candidates if (odds := log_odds(features)) > 0]
    kept = apart([gap.edges for _, gap in likely], [odds for odds, _ in likely])
    return [likely[number][1] for number in kept]


def log_odds(features: dict[str, float]) -> float:
    """Return the log odds that a gap with these features is a dropout."""
    return CONSTANT + sum(weight * features[name] for name, weight in WEIGHTS.items())


def _counts(others: Levels, gap: Edges) -> tuple[int, int]:
    """Return how many other gaps are near, and how many of these as long."""
    firsts, lasts = others.T
    near = (np.abs(firsts - gap.first) < _NEAR_STEPS) & ((firsts > gap.last) | (lasts < gap.first))
    alike = np.abs((lasts - firsts) - gap.steps) <= 2 + gap.steps // 10
    return int(near.sum()), int((near & alike).sum())


def _floor_features(over_db: Levels) -> dict[str, float]:
    """Return where the lowest levels of a gap are against the noise floor."""
    least, most = float(over_db.min()), float(over_db.max())
    return {
        "under_floor": max(0.0, -least) / 10,
        "all_under_floor": max(0.0, -most) / 10,
        "over_floor": most / 10,
        "at_floor": max(0.0, 1 - max(abs(least), abs(most)) / _AT_FLOOR_DB),
    }
