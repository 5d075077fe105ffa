"""The confidence of a cut holds on sides with known cuts: high means 9 in 10 within half a second.

The songs are made by code; on other machines than a fresh one there are sides of real music too.
Seeds follow those that `tests/bench/split_confidence.py` fits and holds back; none was selected by
its result. Limits are what chance allows at the claimed rate.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from long_runs import series
from outside import real_music
from restoration.split.known_sides import FIRST_TESTED, KnownCut, known_side
from scipy.stats import binom

from assembler.restoration.split.confidence import HIGH, CutFeatures, confidence_of, level_of
from assembler.restoration.split.restored_programme import read_programme
from assembler.restoration.split.split import Cut, propose_songs

SIDES = series(24, 3)
CHANCE = 1e-3
"""Probability that a claim that just holds fails; seeds are fixed, so it fails always or never."""
DEVIATIONS = 3.3
"""The same of a normal distribution, on both sides."""
WRONG_OF_HIGH, LATE = 0.1, 0.1
HIGH_OF_ALL, HIGH_DEVIATION = 0.56, 0.27
"""Share of a side's cuts with high confidence on held-back sides: mean and standard deviation."""
Cuts = list[tuple[Cut, KnownCut]]


def cuts_of(seed: int, pieces: list[Path]) -> tuple[Cuts, Cuts]:
    """Return the starts and the ends that were found on a side, each with its true cut."""
    side = known_side(seed, pieces)
    songs = propose_songs(read_programme([side.samples], side.rate_hz), len(side.begins)).songs
    assert len(songs) == len(side.begins)
    begins = [(song.begin, true) for song, true in zip(songs, side.begins, strict=True)]
    return begins, [(song.end, true) for song, true in zip(songs, side.ends, strict=True)]


def most_of(number: int, share: float) -> int:
    """Return how many of a number may be wrong where each is with a probability of `share`."""
    return int(binom.ppf(1 - CHANCE, number, share))


def check_confidence(pieces: list[Path]) -> None:
    """Check that high confidence is right and not rare, and that every other number holds."""
    seeds = range(FIRST_TESTED, FIRST_TESTED + SIDES)
    sides = [cuts_of(seed, pieces) for seed in seeds]
    begins = [cut for side in sides for cut in side[0]]
    every = begins + [cut for side in sides for cut in side[1]]
    high = [(cut.at_s, true) for cut, true in every if cut.confidence >= HIGH]
    wrong = [(at_s, true) for at_s, true in high if not true.holds(at_s)]
    assert len(wrong) <= most_of(len(high), WRONG_OF_HIGH), wrong
    shares = [np.mean([c.confidence >= HIGH for c, _ in (*side[0], *side[1])]) for side in sides]
    assert np.mean(shares) >= HIGH_OF_ALL - DEVIATIONS * HIGH_DEVIATION / SIDES**0.5
    claimed = np.array([cut.confidence for cut, _ in every])
    right = sum(true.holds(cut.at_s) for cut, true in every)
    assert abs(right - claimed.sum()) <= DEVIATIONS * np.sum(claimed * (1 - claimed)) ** 0.5
    held = [(cut, true) for cut, true in begins if true.holds(cut.at_s)]
    late = [true.error_s(cut.at_s) for cut, true in held if true.error_s(cut.at_s) > 0.05]
    assert len(late) <= most_of(len(held), LATE), late


@pytest.mark.thorough
def test_on_sides_made_by_code() -> None:
    check_confidence([])


@pytest.mark.thorough
@pytest.mark.debian_music
def test_on_sides_of_real_music() -> None:
    check_confidence(real_music("singularity-music") + real_music("asc-music"))


@pytest.mark.parametrize(
    ("confidence", "level"), [(0.99, "high"), (0.9, "high"), (0.89, "medium"), (0.5, "low")]
)
def test_a_number_has_a_level(confidence: float, level: str) -> None:
    assert level_of(confidence) == level


def test_another_likely_split_lowers_the_confidence() -> None:
    clear = CutFeatures("begin", 0.99, 3.0, 30.0, 0.1, 0.0, False)
    tied = CutFeatures("begin", 0.5, 3.0, 30.0, 0.1, 0.0, False)
    assert confidence_of(tied) < confidence_of(clear)


def test_sound_beyond_a_cut_lowers_the_confidence() -> None:
    clean = CutFeatures("begin", 0.99, 3.0, 30.0, 0.1, 0.0, False)
    unclean = CutFeatures("begin", 0.99, 3.0, 30.0, 0.1, 1.0, False)
    assert confidence_of(unclean) < confidence_of(clean) - 0.02
