"""Confidence of a cut: the probability that it is within half a second, from its signs.

The weights were fitted by logistic regression (Cox, J. R. Stat. Soc. B 20, 1958, from memory) on
made sides with known cuts: `tests/bench/split_confidence.py` fits them on some, and holds them
against others.
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
"""A cut of high confidence is right 9 times in 10 and more; one below medium must be heard."""
LEAST, MOST = 0.01, 0.99
_MOST_IN_SOUND = 0.7
"""Of a side that begins or ends in sound: no one can tell what is missing."""
Level = Literal["high", "medium", "low"]

_EDGE_S = 0.3
_OUTSIDE_S = 3.0


@dataclass(frozen=True)
class Signs:
    """What speaks for a cut or against it.

    Attributes
    ----------
    kind
        Beginning or end in a silence, or a cut where there is none.
    probability
        That this song begins or ends at this pause, of all splits.
    quiet_s
        How long the pause is quiet.
    edge_db
        How far the song's first or last sound stands over the noise floor; without a silence, how
        far the quietest does.
    moved_s
        From where sound is certain to the cut.
    beyond_s
        Sound over the noise print outside the song, beside the cut.
    outermost
        It is the side's first beginning or last end.
    """

    kind: Literal["begin", "end", "no silence"]
    probability: float
    quiet_s: float
    edge_db: float
    moved_s: float
    beyond_s: float
    outermost: bool

    @property
    def weighed(self) -> tuple[float, ...]:
        """The signs as they are weighed, 1 first."""
        share = min(max(self.probability, 0.002), 0.998)
        return (
            1.0,
            math.log(share / (1 - share)),
            math.log(min(max(self.quiet_s, 0.05), 10.0)),
            min(max(self.edge_db, 0.0), 40.0) / 10,
            min(self.moved_s, 4.0),
            min(self.beyond_s, 1.0),
            float(self.outermost),
        )


WEIGHTS: dict[str, tuple[float, ...]] = {
    "begin": (0.88, 0.65, -0.28, -0.33, -0.92, -1.77, -0.02),
    "end": (1.03, 0.69, 0.01, -0.42, -0.84, 0.14, -0.47),
    "no silence": (-1.43, 1.3, 0.05, -0.19, 0.0, 0.0, 0.0),
}
"""In the order of `Signs.weighed`; logarithms of odds."""


def confidence_of(signs: Signs) -> float:
    """Return the probability that a cut is within half a second, from `LEAST` to `MOST`."""
    odds = sum(w * x for w, x in zip(WEIGHTS[signs.kind], signs.weighed, strict=True))
    most = _MOST_IN_SOUND if signs.outermost and signs.kind == "no silence" else MOST
    return round(min(max(1 / (1 + math.exp(-odds)), LEAST), most), 3)


def level_of(confidence: float) -> Level:
    """Return high, medium or low."""
    return "high" if confidence >= HIGH else "medium" if confidence >= MEDIUM else "low"


def signs_of_begin(
    reading: ProgrammeReading, pause: Pause, at_s: float, probability: float, *, outermost: bool
) -> Signs:
    """Return the signs of a beginning after a pause."""
    if not pause.is_silence:
        return _without_silence(pause, probability, outermost=outermost)
    return Signs(
        kind="begin",
        probability=probability,
        quiet_s=max(at_s - pause.start_s, 0.0),
        edge_db=_highest(reading, at_s, at_s + _EDGE_S),
        moved_s=max(pause.end_s - at_s, 0.0),
        beyond_s=_beyond(reading, max(pause.start_s + _EDGE_S, at_s - _OUTSIDE_S), at_s - 0.1),
        outermost=outermost,
    )


def signs_of_end(
    reading: ProgrammeReading, pause: Pause, at_s: float, probability: float, *, outermost: bool
) -> Signs:
    """Return the signs of an end before a pause."""
    if not pause.is_silence:
        return _without_silence(pause, probability, outermost=outermost)
    return Signs(
        kind="end",
        probability=probability,
        quiet_s=max(pause.end_s - at_s, 0.0),
        edge_db=_highest(reading, pause.start_s - _EDGE_S, pause.start_s),
        moved_s=max(at_s - pause.start_s, 0.0),
        beyond_s=_beyond(reading, at_s, min(pause.end_s - _EDGE_S, at_s + _OUTSIDE_S)),
        outermost=outermost,
    )


def _without_silence(pause: Pause, probability: float, *, outermost: bool) -> Signs:
    over_db = pause.over_floor_db
    return Signs("no silence", probability, pause.quiet_s, over_db, 0.0, 0.0, outermost)


def _highest(reading: ProgrammeReading, from_s: float, to_s: float) -> float:
    heard = reading.levels_db[max(round(from_s / STEP_S), 0) : max(round(to_s / STEP_S), 0)]
    return float(heard.max() - reading.floor_db) if len(heard) else 0.0


def _beyond(reading: ProgrammeReading, from_s: float, to_s: float) -> float:
    first, last = max(round(from_s / STEP_S), 0), max(round(to_s / STEP_S), 0)
    if last <= first:
        return 0.0
    return float(np.count_nonzero(over_print(reading.over_print_db[:, first:last]))) * STEP_S
