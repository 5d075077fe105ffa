"""The search for a gain, against curves of loudness over gain that are known in full.

A curve stands for a limiter: slope 1 up to the ceiling, less above it. Where the search should end
is worked out from the curve by itself.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assembler.mastering.gain_search import (
    MIN_LU_PER_DB,
    Goal,
    Landing,
    SearchResult,
    search,
)

SOURCE_LUFS = -20.0
Curve = Callable[[float], Landing]


def curve(free_db: float, slopes: list[float]) -> Curve:
    """Return a limiter whose loudness rises by `slopes`, one for each dB over `free_db`."""

    def land(gain_db: float) -> Landing:
        over_db = max(0.0, gain_db - free_db)
        lufs = SOURCE_LUFS + min(gain_db, free_db)
        for i in range(int(over_db) + 1):
            lufs += slopes[min(i, len(slopes) - 1)] * min(1.0, max(0.0, over_db - i))
        return Landing(lufs, over_db)

    return land


def found_on(land: Curve, goal: Goal) -> tuple[SearchResult, int]:
    """Run a search on a curve; return what it found and how many rounds it took."""
    run, rounds = search(goal), 0
    try:
        gain_db = next(run)
        while True:
            rounds += 1
            gain_db = run.send(land(gain_db))
    except StopIteration as end:
        return end.value, rounds


def goal(target_lufs: float, free_db: float) -> Goal:
    return Goal(target_lufs, SOURCE_LUFS, free_db, target_lufs - SOURCE_LUFS)


def test_without_limiting_nothing_is_rendered():
    found, rounds = found_on(curve(12.0, [1.0]), goal(-14.0, 12.0))
    assert (found.gain_db, found.stopped_by, found.light_lufs, rounds) == (6.0, "", None, 0)


def test_light_limiting_is_made_up_for():
    land = curve(4.0, [0.9])
    found, _ = found_on(land, goal(-14.0, 4.0))
    assert land(found.gain_db).lufs == pytest.approx(-14.0, abs=0.02)
    assert found.stopped_by == ""


def test_more_gain_that_is_not_louder_is_rejected():
    """Dense drums: after 3 dB a dB gains 0.1 LU, after 6 dB less than nothing."""
    land = curve(2.0, [0.9, 0.7, 0.5, 0.1, 0.1, 0.05, -0.05])
    found, _ = found_on(land, goal(-9.0, 2.0))
    assert found.stopped_by == "limiting"
    assert 4.5 <= found.gain_db <= 6.0
    assert land(found.gain_db).lufs - land(found.gain_db - 1).lufs >= MIN_LU_PER_DB


def test_dense_music_stays_at_its_ceiling():
    """Music that gains 0.17 LU a dB from the start is raised by no more than a dB into it."""
    land = curve(-1.0, [0.17])
    found, _ = found_on(land, goal(-14.0, -1.0))
    assert found.stopped_by == "limiting"
    assert -1.0 <= found.gain_db <= 0.0


def test_the_advice_is_what_the_curve_has_there():
    land = curve(0.0, [0.9, 0.8, 0.7, 0.6])
    found, _ = found_on(land, goal(-16.5, 0.0))
    assert found.stopped_by == ""
    assert found.light_lufs == pytest.approx(land(2.95).lufs, abs=0.01)


def test_an_album_keeps_its_balance():
    def land(gain_db: float) -> Landing:
        over_db = max(0.0, gain_db - 3.0)
        return Landing(SOURCE_LUFS + gain_db - 0.2 * over_db, over_db, 0.3 * over_db, 4)

    found, _ = found_on(land, goal(-10.0, 3.0))
    assert (found.stopped_by, found.most_limited) == ("balance", 4)
    assert land(found.gain_db).imbalance_lu <= 1
    assert land(found.gain_db + 0.25).imbalance_lu > 1


def test_a_cap_found_at_another_rate_is_kept():
    land = curve(0.0, [0.1])
    start = Goal(-9.0, SOURCE_LUFS, 0.0, 0.8, "limiting")
    found, rounds = found_on(land, start)
    assert (found.gain_db, found.stopped_by, rounds) == (0.8, "limiting", 1)


@given(
    free_db=st.floats(-10, 20),
    slopes=st.lists(st.floats(-0.2, 1.0), min_size=1, max_size=12).map(
        lambda some: sorted(some, reverse=True)
    ),
    target=st.floats(-30, -5),
)
def test_it_lands_or_says_why_and_every_last_db_was_worth_it(free_db, slopes, target):
    land = curve(free_db, slopes)
    found, rounds = found_on(land, goal(target, free_db))
    landed = land(found.gain_db).lufs
    assert rounds <= 45
    assert landed <= target + 0.1
    assert bool(found.stopped_by) == (landed < target - 0.1)
    if found.gain_db > free_db:
        assert landed - land(found.gain_db - 1).lufs >= MIN_LU_PER_DB - 1e-9
    if found.stopped_by:
        higher = found.gain_db + 0.3
        over_its_room = higher > target - SOURCE_LUFS + 6
        barely = land(higher).lufs - land(higher - 1).lufs < MIN_LU_PER_DB + 0.3
        assert over_its_room or barely
