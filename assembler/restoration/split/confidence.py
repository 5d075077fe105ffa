"""Estimate the confidence of a cut: the probability that it is within half a second.

The weights were fitted by logistic regression (Cox, J. R. Stat. Soc. B 20, 1958, from memory) on
made sides with known cuts: `tests/bench/split_confidence.py` fits them on some sides and checks
them on others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from assembler.restoration.analysis.noise_floor import over_print
from assembler.restoration.analysis.programme import STEP_S, ProgrammeReading
from assembler.restoration.split.pauses import Pause

HIGH, MEDIUM = 0.9, 0.6
"""A cut with high confidence is right at least 9 times in 10; one below medium must be checked."""
LEAST, MOST = 0.01, 0.99
_MOST_IN_SOUND = 0.7
"""Limit where a side starts or ends in sound: it is unknown what is missing."""
Level = Literal["high", "medium", "low"]
Kind = Literal["begin", "end"]

_EDGE_S = 0.3
_OUTSIDE_S = 3.0


@dataclass(frozen=True)
class CutFeatures:
    """Features of a cut, from which its confidence is estimated."""

    kind: Literal["begin", "end", "no silence"]
    """Start or end in a silence, or a cut without silence."""
    probability: float
    """Of all splits, that this song starts or ends at this pause."""
    quiet_s: float
    """Length of the quiet passage at the pause."""
    edge_db: float
    """Level of the song's first or last sound above the noise floor; without a silence, that of the
    quietest place."""
    faint_s: float
    """Time between the cut and certain sound."""
    outside_s: float
    """Sound above the noise print outside the song, next to the cut."""
    outermost: bool
    """Whether it is the first start or the last end of the side."""

    @property
    def regressors(self) -> tuple[float, ...]:
        """The features as they are weighted, 1 first."""
        share = min(max(self.probability, 0.002), 0.998)
        return (
            1.0,
            math.log(share / (1 - share)),
            math.log(min(max(self.quiet_s, 0.05), 10.0)),
            min(max(self.edge_db, 0.0), 40.0) / 10,
            min(self.faint_s, 4.0),
            min(self.outside_s, 1.0),
            float(self.outermost),
        )


WEIGHTS: dict[str, tuple[float, ...]] = {
    "begin": (0.88, 0.65, -0.28, -0.33, -0.92, -1.77, -0.02),
    "end": (1.03, 0.69, 0.01, -0.42, -0.84, 0.14, -0.47),
    "no silence": (-1.43, 1.3, 0.05, -0.19, 0.0, 0.0, 0.0),
}
"""In the order of `CutFeatures.regressors`; log odds."""


def confidence_of(features: CutFeatures) -> float:
    """Return the probability that a cut is within half a second, from `LEAST` to `MOST`."""
    pairs = zip(WEIGHTS[features.kind], features.regressors, strict=True)
    log_odds = sum(weight * value for weight, value in pairs)
    in_sound = features.outermost and features.kind == "no silence"
    most = _MOST_IN_SOUND if in_sound else MOST
    return round(min(max(1 / (1 + math.exp(-log_odds)), LEAST), most), 3)


def level_of(confidence: float) -> Level:
    """Return high, medium or low."""
    return "high" if confidence >= HIGH else "medium" if confidence >= MEDIUM else "low"


def features_of(
    kind: Kind,
    reading: ProgrammeReading,
    pause: Pause,
    at_s: float,
    share: float,
    *,
    outermost: bool,
) -> CutFeatures:
    """Return the features of a song's start after a pause, or of its end before one.

    share: its probability, of all splits.
    """
    if not pause.is_silence:
        over_db = pause.over_floor_db
        return CutFeatures("no silence", share, pause.quiet_s, over_db, 0.0, 0.0, outermost)
    if kind == "begin":
        quiet_s, faint_s = at_s - pause.start_s, pause.end_s - at_s
        edge_s = at_s, at_s + _EDGE_S
        outside_s = max(pause.start_s + _EDGE_S, at_s - _OUTSIDE_S), at_s - 0.1
    else:
        quiet_s, faint_s = pause.end_s - at_s, at_s - pause.start_s
        edge_s = pause.start_s - _EDGE_S, pause.start_s
        outside_s = at_s, min(pause.end_s - _EDGE_S, at_s + _OUTSIDE_S)
    return CutFeatures(
        kind,
        share,
        max(quiet_s, 0.0),
        _highest(reading, *edge_s),
        max(faint_s, 0.0),
        _sound_s(reading, *outside_s),
        outermost,
    )


def _highest(reading: ProgrammeReading, from_s: float, to_s: float) -> float:
    levels_db = reading.levels_db[max(round(from_s / STEP_S), 0) : max(round(to_s / STEP_S), 0)]
    return float(levels_db.max() - reading.floor_db) if len(levels_db) else 0.0


def _sound_s(reading: ProgrammeReading, from_s: float, to_s: float) -> float:
    first, last = max(round(from_s / STEP_S), 0), max(round(to_s / STEP_S), 0)
    if last <= first:
        return 0.0
    return float(np.count_nonzero(over_print(reading.over_print_db[:, first:last]))) * STEP_S
