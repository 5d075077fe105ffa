"""Search for the gain that reaches a target loudness, and stop where the limiter cancels it.

Until peaks reach the ceiling, 1 dB of gain adds 1 LU of loudness. Above that each dB adds less, and
on dense drums it can even lower the loudness. So the search does not assume that more gain is
louder: it stops where most of a further dB would be limited away.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass
from typing import Literal

CLOSE_ENOUGH_LU = 0.02
OFF_TARGET_LU = 0.1
MOST_ROUNDS = 7
MOST_EXTRA_DB = 6.0
"""How far a gain may exceed the one that would reach the target without limiting."""
MIN_LU_PER_DB = 0.4
"""Loudness that the last dB of gain must add. Tuned empirically on two packages of game music and
on synthetic drums: a mix with dynamics gains 0.9 LU or more from its first dB over the ceiling and
less than 0.4 after 5 to 10 dB; music that is already dense, less than 0.4 at once."""
MOST_IMBALANCE_LU = 1.0
"""How far an album match may shift a track against the others."""
LIGHT_REDUCTION_DB = 3.0
"""More gain reduction than this tends to be audible (from memory: common practice)."""
_STEP_DB = 0.25
_MARGIN_DB = 0.05

StopReason = Literal["", "limiting", "balance"]


@dataclass(frozen=True)
class Landing:
    """What a gain results in after the limiter."""

    lufs: float
    """Integrated loudness; for an album, of its loudest track."""
    reduction_db: float
    """Maximum gain reduction."""
    imbalance_lu: float = 0.0
    """How much more loudness the limiter takes from one track of an album than from another."""
    most_limited: int | None = None
    """Index of the track that it takes most from."""


@dataclass(frozen=True)
class Goal:
    """What a search aims at."""

    target_lufs: float
    source_lufs: float
    """Loudness before gain."""
    free_db: float
    """Highest gain without limiting; minus infinity where it is not known."""
    first_db: float
    stopped_by: StopReason = ""
    """Why the same search stopped at `first_db` at another rate: that gain is then final."""

    @property
    def unlimited_db(self) -> float:
        """Gain that would reach the target without a limiter."""
        return self.target_lufs - self.source_lufs


@dataclass(frozen=True)
class SearchResult:
    """Where a search ended."""

    gain_db: float
    stopped_by: StopReason
    """Why it stopped below the target: "limiting" where a further dB adds less than
    `MIN_LU_PER_DB`, "balance" where an album's tracks would shift by more than `MOST_IMBALANCE_LU`;
    empty where it reached it."""
    most_limited: int | None
    """Index of the track that set an album's cap."""
    light_lufs: float | None
    """Loudness at the highest gain with at most `LIGHT_REDUCTION_DB` of gain reduction; None where
    `gain_db` has no more than that."""


Search = Generator[float, Landing, SearchResult]


def search(goal: Goal) -> Search:
    """Search for the gain that reaches the goal, or the highest one that is worth its limiting.

    Yields
    ------
    float
        A gain in dB to try; its `Landing` must be sent back.

    Returns
    -------
    SearchResult
        The gain, and why the search stopped below the target if it did.
    """
    return _GainSearch(goal).run()


class _GainSearch:
    def __init__(self, goal: Goal) -> None:
        self._goal = goal
        self._known: dict[float, Landing] = {}
        self._stopped_by: StopReason = goal.stopped_by
        self._most_limited: int | None = None

    def run(self) -> Search:
        goal = self._goal
        gain_db = goal.first_db
        if not goal.stopped_by:
            gain_db = yield from self._approach()
            if not (yield from self._is_worth_it(gain_db)):
                gain_db = yield from self._retreat(gain_db)
        landing = yield from self._land(gain_db)
        short_lu = goal.target_lufs - landing.lufs
        if short_lu <= OFF_TARGET_LU:
            self._stopped_by = ""
        elif not self._stopped_by:
            self._stopped_by = "limiting"
        light_lufs = yield from self._light(gain_db, landing)
        return SearchResult(gain_db, self._stopped_by, self._most_limited, light_lufs)

    def _land(self, gain_db: float) -> Generator[float, Landing, Landing]:
        if gain_db <= self._goal.free_db:
            return Landing(self._goal.source_lufs + gain_db, 0.0)
        if gain_db not in self._known:
            self._known[gain_db] = yield gain_db
        return self._known[gain_db]

    def _approach(self) -> Generator[float, Landing, float]:
        """Step towards the target by the secant method, until it is reached or costs too much."""
        goal = self._goal
        gain_db = best_db = goal.first_db
        least_lu = math.inf
        before: tuple[float, float] | None = None
        for _ in range(MOST_ROUNDS):
            landing = yield from self._land(gain_db)
            error_lu = goal.target_lufs - landing.lufs
            if abs(error_lu) < least_lu:
                best_db, least_lu = gain_db, abs(error_lu)
            slope = _slope(before, gain_db, landing.lufs)
            costs_too_much = slope < MIN_LU_PER_DB or landing.imbalance_lu > MOST_IMBALANCE_LU
            if abs(error_lu) <= CLOSE_ENOUGH_LU or (error_lu > 0 and costs_too_much):
                break
            before = (gain_db, landing.lufs)
            following_db = gain_db + error_lu / max(slope, MIN_LU_PER_DB)
            gain_db = min(following_db, goal.unlimited_db + MOST_EXTRA_DB)
            if gain_db == before[0]:
                break
        return best_db

    def _is_worth_it(self, gain_db: float) -> Generator[float, Landing, bool]:
        """Check that the last dB of a gain adds loudness, and that an album keeps its balance."""
        landing = yield from self._land(gain_db)
        if landing.imbalance_lu > MOST_IMBALANCE_LU:
            self._stopped_by, self._most_limited = "balance", landing.most_limited
            return False
        lost_lu = self._goal.source_lufs + gain_db - landing.lufs
        if lost_lu <= 1 - MIN_LU_PER_DB:  # one dB can lose at most the total lost so far
            return True
        lower = yield from self._land(gain_db - 1)
        if landing.lufs - lower.lufs >= MIN_LU_PER_DB:
            return True
        self._stopped_by, self._most_limited = "limiting", None
        return False

    def _retreat(self, rejected_db: float) -> Generator[float, Landing, float]:
        """Bisect between no limiting and a gain that is not worth its limiting."""
        worth_db = min(rejected_db, max(self._goal.free_db, rejected_db - 60))
        while rejected_db - worth_db > _STEP_DB:
            middle_db = (worth_db + rejected_db) / 2
            if (yield from self._is_worth_it(middle_db)):
                worth_db = middle_db
            else:
                rejected_db = middle_db
        return worth_db

    def _light(self, gain_db: float, landing: Landing) -> Generator[float, Landing, float | None]:
        """Find the loudness at the highest gain with light gain reduction."""
        if landing.reduction_db <= LIGHT_REDUCTION_DB:
            return None
        for _ in range(3):
            gain_db -= landing.reduction_db - LIGHT_REDUCTION_DB + _MARGIN_DB
            landing = yield from self._land(gain_db)
            if landing.reduction_db <= LIGHT_REDUCTION_DB:
                break
        return landing.lufs


def _slope(before: tuple[float, float] | None, gain_db: float, lufs: float) -> float:
    """Return the loudness gained per dB since the last step; 1 LU at the first."""
    if before is None or abs(gain_db - before[0]) < 1e-6:
        return 1.0
    return min(1.0, (lufs - before[1]) / (gain_db - before[0]))
