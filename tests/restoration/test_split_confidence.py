"""The confidence of a cut holds on sides with known cuts: high means 9 in 10 within half a second.

The weights were fitted on other sides (`tests/bench/split_confidence.py`). The songs are made by
code; in the long run there are sides of real music too. No published source.
"""

from __future__ import annotations

import numpy as np
import pytest
from long_runs import series
from outside import real_music
from restoration.known_sides import KnownCut, KnownSide, known_side

from assembler.restoration.split.confidence import HIGH, Signs, confidence_of, level_of
from assembler.restoration.split.restored_programme import read_programme
from assembler.restoration.split.split import Cut, propose_songs

FIRST_SEED = 5000
SIDES = series(24, 1)
SAMPLING = 2 * (0.1 * 0.9) ** 0.5
"""Two standard errors of a share of 9 in 10, times the root of the number of cuts."""
ENOUGH = 30
Cuts = list[tuple[Cut, KnownCut]]


def cuts_of(side: KnownSide) -> tuple[Cuts, Cuts]:
    """Return the beginnings and the ends of a side as found, each with what is true."""
    songs = propose_songs(read_programme([side.samples], side.rate_hz), len(side.begins)).songs
    assert len(songs) == len(side.begins)
    begins = [(song.begin, true) for song, true in zip(songs, side.begins, strict=True)]
    return begins, [(song.end, true) for song, true in zip(songs, side.ends, strict=True)]


def check_confidence(sides: list[KnownSide]) -> None:
    """Check what high confidence promises, and that it is not seldom."""
    begins: Cuts = []
    ends: Cuts = []
    for side in sides:
        found = cuts_of(side)
        begins += found[0]
        ends += found[1]
    high = [(cut, true) for cut, true in begins + ends if cut.confidence >= HIGH]
    rest = [(cut, true) for cut, true in begins + ends if cut.confidence < HIGH]
    wrong = [(cut.at_s, true) for cut, true in high if not true.holds(cut.at_s)]
    assert len(wrong) <= 0.1 * len(high) + SAMPLING * len(high) ** 0.5, wrong
    assert len(high) >= 0.3 * len(begins + ends)
    if len(rest) >= ENOUGH:
        mean = float(np.mean([cut.confidence for cut, _ in rest]))
        right = float(np.mean([true.holds(cut.at_s) for cut, true in rest]))
        assert right == pytest.approx(mean, abs=0.25)
    held = [(cut, true) for cut, true in begins if true.holds(cut.at_s)]
    late = [true.off_s(cut.at_s) for cut, true in held if true.off_s(cut.at_s) > 0.05]
    assert len(late) <= 0.1 * len(held), late


def test_on_sides_made_by_code() -> None:
    check_confidence([known_side(FIRST_SEED + n) for n in range(SIDES)])


def test_on_sides_of_real_music() -> None:
    pieces = real_music("singularity-music") + real_music("asc-music")
    check_confidence([known_side(FIRST_SEED + n, pieces) for n in range(SIDES)])


@pytest.mark.parametrize(
    ("confidence", "level"), [(0.99, "high"), (0.9, "high"), (0.89, "medium"), (0.5, "low")]
)
def test_a_number_has_a_level(confidence: float, level: str) -> None:
    assert level_of(confidence) == level


def test_another_likely_split_lowers_the_confidence() -> None:
    sure = Signs("begin", 0.99, 3.0, 30.0, 0.1, 0.0, False)
    tied = Signs("begin", 0.5, 3.0, 30.0, 0.1, 0.0, False)
    assert confidence_of(tied) < confidence_of(sure)


def test_sound_beyond_a_cut_lowers_the_confidence() -> None:
    clean = Signs("begin", 0.99, 3.0, 30.0, 0.1, 0.0, False)
    unclean = Signs("begin", 0.99, 3.0, 30.0, 0.1, 1.0, False)
    assert confidence_of(unclean) < confidence_of(clean) - 0.02
