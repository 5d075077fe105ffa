"""Search for a gain that lands on a loudness, and stop where the limiter would take it back.

Below the point where peaks reach the ceiling, 1 dB of gain is 1 LU of loudness. Above it a dB buys
less and less, on dense drums in the end less than nothing. So the search doesn't trust that more
gain is louder: it stops where a further dB is mostly limited away.
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
"""How far a gain may go beyond what the target asks without limiting."""
LEAST_BUY_LU = 0.4
"""Loudness that the last dB of gain must buy. Tuned empirically on the pieces of two packages of
game music and on synthetic drums: an undamaged mix buys 0.9 LU and more in its first dB over the
ceiling and falls under 0.4 after 5 to 10 dB; music that is dense already, at once."""
MOST_IMBALANCE_LU = 1.0
"""How far an album match may let a track depart from its balance with the others."""
LIGHT_REDUCTION_DB = 3.0
"""More gain reduction than about this is heard (common practice)."""
_STEP_DB = 0.25
_MARGIN_DB = 0.05

Stop = Literal["", "limiting", "balance"]


@dataclass(frozen=True)
class Landing:
    """What a gain comes to after the limiter.

    Attributes
    ----------
    lufs
        Integrated loudness; of an album, of its loudest track.
    reduction_db
        Deepest gain reduction.
    imbalance_lu
        By how much more the limiter takes from one track of an album than from another.
    most_limited
        Place of the track that it takes most from.
    """

    lufs: float
    reduction_db: float
    imbalance_lu: float = 0.0
    most_limited: int | None = None


@dataclass(frozen=True)
class Goal:
    """What a search is for.

    Attributes
    ----------
    asked_lufs
        Loudness to land on.
    source_lufs
        Loudness before gain.
    free_db
        Highest gain at which nothing is limited; minus infinity where it isn't known.
    first_db
        Gain to try first.
    stopped_by
        Why the same search stopped at `first_db` at another rate: the gain then stands.
    """

    asked_lufs: float
    source_lufs: float
    free_db: float
    first_db: float
    stopped_by: Stop = ""

    @property
    def unlimited_db(self) -> float:
        """Gain that would land there without a limiter."""
        return self.asked_lufs - self.source_lufs


@dataclass(frozen=True)
class Found:
    """Where a search ended.

    Attributes
    ----------
    gain_db
        The gain.
    stopped_by
        What kept it from the asked loudness: "limiting" where a further dB buys less than
        `LEAST_BUY_LU`, "balance" where an album's tracks would depart by more than
        `MOST_IMBALANCE_LU`; empty where it landed.
    most_limited
        Place of the track that set an album's cap.
    light_lufs
        Loudness at the highest gain whose reduction stays under `LIGHT_REDUCTION_DB`; None where
        `gain_db` stays under it.
    """

    gain_db: float
    stopped_by: Stop
    most_limited: int | None
    light_lufs: float | None


Search = Generator[float, Landing, Found]


def search(goal: Goal) -> Search:
    """Search for the gain that lands on the goal, or for the last one that is worth its limiting.

    Yields
    ------
    float
        A gain in dB to try; its `Landing` must be sent back.

    Returns
    -------
    Found
        The gain, and why it stopped short if it did.
    """
    return _GainSearch(goal).run()


class _GainSearch:
    def __init__(self, goal: Goal) -> None:
        self._goal = goal
        self._known: dict[float, Landing] = {}
        self._stopped_by: Stop = goal.stopped_by
        self._most_limited: int | None = None

    def run(self) -> Search:
        goal = self._goal
        gain_db = goal.first_db
        if not goal.stopped_by:
            gain_db = yield from self._approach()
            if not (yield from self._is_worth_it(gain_db)):
                gain_db = yield from self._retreat(gain_db)
        landing = yield from self._land(gain_db)
        short_lu = goal.asked_lufs - landing.lufs
        if short_lu <= OFF_TARGET_LU:
            self._stopped_by = ""
        elif not self._stopped_by:
            self._stopped_by = "limiting"
        light_lufs = yield from self._light(gain_db, landing)
        return Found(gain_db, self._stopped_by, self._most_limited, light_lufs)

    def _land(self, gain_db: float) -> Generator[float, Landing, Landing]:
        if gain_db <= self._goal.free_db:
            return Landing(self._goal.source_lufs + gain_db, 0.0)
        if gain_db not in self._known:
            self._known[gain_db] = yield gain_db
        return self._known[gain_db]

    def _approach(self) -> Generator[float, Landing, float]:
        """Step towards the asked loudness by secants, until it is met or not worth going on."""
        goal = self._goal
        gain_db = best_db = goal.first_db
        least_lu = math.inf
        before: tuple[float, float] | None = None
        for _ in range(MOST_ROUNDS):
            landing = yield from self._land(gain_db)
            error_lu = goal.asked_lufs - landing.lufs
            if abs(error_lu) < least_lu:
                best_db, least_lu = gain_db, abs(error_lu)
            slope = _slope(before, gain_db, landing.lufs)
            too_dear = slope < LEAST_BUY_LU or landing.imbalance_lu > MOST_IMBALANCE_LU
            if abs(error_lu) <= CLOSE_ENOUGH_LU or (error_lu > 0 and too_dear):
                break
            before = (gain_db, landing.lufs)
            following_db = gain_db + error_lu / max(slope, LEAST_BUY_LU)
            gain_db = min(following_db, goal.unlimited_db + MOST_EXTRA_DB)
            if gain_db == before[0]:
                break
        return best_db

    def _is_worth_it(self, gain_db: float) -> Generator[float, Landing, bool]:
        """Check that the last dB of a gain buys loudness, and that an album keeps its balance."""
        landing = yield from self._land(gain_db)
        if landing.imbalance_lu > MOST_IMBALANCE_LU:
            self._stopped_by, self._most_limited = "balance", landing.most_limited
            return False
        lost_lu = self._goal.source_lufs + gain_db - landing.lufs
        if lost_lu <= 1 - LEAST_BUY_LU:  # a dB loses no more than all that was lost so far
            return True
        lower = yield from self._land(gain_db - 1)
        if landing.lufs - lower.lufs >= LEAST_BUY_LU:
            return True
        self._stopped_by, self._most_limited = "limiting", None
        return False

    def _retreat(self, refused_db: float) -> Generator[float, Landing, float]:
        """Halve the way between no limiting and a gain that isn't worth it."""
        worth_db = min(refused_db, max(self._goal.free_db, refused_db - 60))
        while refused_db - worth_db > _STEP_DB:
            middle_db = (worth_db + refused_db) / 2
            if (yield from self._is_worth_it(middle_db)):
                worth_db = middle_db
            else:
                refused_db = middle_db
        return worth_db

    def _light(self, gain_db: float, landing: Landing) -> Generator[float, Landing, float | None]:
        """Find the loudness at the gain below which gain reduction is light."""
        if landing.reduction_db <= LIGHT_REDUCTION_DB:
            return None
        for _ in range(3):
            gain_db -= landing.reduction_db - LIGHT_REDUCTION_DB + _MARGIN_DB
            landing = yield from self._land(gain_db)
            if landing.reduction_db <= LIGHT_REDUCTION_DB:
                break
        return landing.lufs


def _slope(before: tuple[float, float] | None, gain_db: float, lufs: float) -> float:
    """Return the loudness that a dB bought since the last step; 1 LU at the first."""
    if before is None or abs(gain_db - before[0]) < 1e-6:
        return 1.0
    return min(1.0, (lufs - before[1]) / (gain_db - before[0]))
