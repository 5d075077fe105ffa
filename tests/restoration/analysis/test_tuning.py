"""The tuning of long tones, which suggests a speed; where they do not agree, none."""

from __future__ import annotations

import numpy as np
import pytest
from excerpts import EXCERPTS, music
from restoration.faulty_music import in_blocks
from restoration.wowed import Samples, chords, stereo

from assembler.restoration.analysis.partials import PartialMeter
from assembler.restoration.analysis.tuning import TuningReading, tuning_of

RATE_HZ = 22_050
TIMES_S = np.arange(20 * RATE_HZ) / RATE_HZ


def read(sound: Samples, rate_hz: int = RATE_HZ) -> TuningReading:
    meter = PartialMeter(rate_hz)
    for block in in_blocks(sound):
        meter.feed(np.ascontiguousarray(block, np.float32))
    return tuning_of(meter.reading())


@pytest.mark.parametrize(
    ("cents", "a_hz"),
    [
        (-31.8, 432.0),
        pytest.param(0.0, 440.0, marks=pytest.mark.thorough),
        pytest.param(23.5, 446.0, marks=pytest.mark.thorough),
    ],
)
def test_the_tuning_of_chords_is_read(cents: float, a_hz: float) -> None:
    found = read(stereo(chords(TIMES_S, cents=cents)))
    assert found.cents == pytest.approx(cents, abs=2)
    assert found.a_hz == pytest.approx(a_hz, abs=0.5)
    assert not found.reason


def test_tones_of_no_tuning_or_of_two_are_not_determined() -> None:
    rng = np.random.default_rng(2)
    parts = [chords(TIMES_S[: RATE_HZ * 2], seed, rng.uniform(-50, 50)) for seed in range(7)]
    found = read(stereo(np.concatenate(parts)))
    assert found.cents is None
    assert found.reason == "the long tones do not agree on one tuning"
    halves = [chords(TIMES_S[: RATE_HZ * 8], 5, cents) for cents in (-4, 4)]
    assert read(stereo(np.concatenate(halves))).reason == "the tuning changes over the side"
    assert read(np.zeros((RATE_HZ, 2), np.float32)).reason == "too few long tones"


@pytest.mark.thorough
@pytest.mark.debian_music
def test_most_pieces_are_tuned_to_440_or_were_made_at_44100_and_play_at_48000() -> None:
    """9 of 10 that are determined are within 5 cents: 48000 / 44100 is 146.7 cents, thus 46.7.

    One of 11 ends on sounds that are all 11 cents low.
    """
    found = [read(*music(excerpt)) for excerpt in EXCERPTS]
    known = [one.cents for one in found if one.cents is not None]
    assert len(known) >= 0.6 * len(found)
    off = [min(abs(cents), abs((cents - 46.7 + 50) % 100 - 50)) for cents in known]
    assert sum(one < 5 for one in off) >= 0.9 * len(off)
