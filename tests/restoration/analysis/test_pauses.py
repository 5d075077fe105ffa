"""Rumble in the pauses and print-through before loud onsets: on music with known faults, and
without. The faults are made by formula; undamaged music has neither."""

from __future__ import annotations

import numpy as np
import pytest
from excerpts import with_debian_music
from numpy.typing import NDArray
from restoration.faulty_music import RATE_HZ, beside, hiss, in_blocks, piece, read
from scipy.signal import butter, sosfilt

from assembler.dsp.equaliser import FilterBand, equalise
from assembler.restoration.analysis.low_sound import LowSoundMeter
from assembler.restoration.analysis.print_through import (
    PreEcho,
    PrintThroughReading,
    print_through_of,
)
from assembler.restoration.analysis.programme import ProgrammeMeter
from assembler.restoration.analysis.rumble import RumbleReading, rumble_of

LOUD_DB = -20.0
MORE = with_debian_music(range(1, 5), (5, 8, 10, 15))
STRINGS = 3
"""Their onsets are soft: the pre-echo is found before some only, and then is not determined."""


def side(number: int, gap_s: float = 4.0) -> NDArray[np.float64]:
    """Return three pieces of 6 s between pauses of hiss."""
    pause = np.zeros((round(gap_s * RATE_HZ), 2))
    parts = [pause]
    for step in range(3):
        own = piece(beside(number, step), 6)
        parts += [0.9 * own / np.abs(own).max(), pause]
    sound = np.concatenate(parts)
    return sound + hiss(len(sound), -62, number)


def printed(sound: NDArray[np.float64], turn_s: float, level_db: float) -> NDArray[np.float64]:
    """Add a pre-echo in the band in which tape prints through, at a level at its centre."""
    turn = round(turn_s * RATE_HZ)
    band = butter(1, [400, 1500], "band", fs=RATE_HZ, output="sos")
    early = np.zeros_like(sound)
    early[:-turn] = 10 ** (level_db / 20) * sosfilt(band, sound, axis=0)[turn:]
    return sound + early


def rumbling(sound: NDArray[np.float64], hz: float, dbfs: float) -> NDArray[np.float64]:
    """Add rumble: noise in a third of an octave, different in each channel, at an RMS level."""
    band = butter(2, [hz / 1.12, hz * 1.12], "band", fs=RATE_HZ, output="sos")
    noise = sosfilt(band, np.random.default_rng(int(hz)).standard_normal(sound.shape), axis=0)
    return sound + 10 ** (dbfs / 20) * noise / noise[RATE_HZ:].std()


def check_undamaged(number: int) -> None:
    rumble, found = readings(side(number))
    assert rumble.level_dbfs is not None
    assert rumble.level_dbfs < -85
    assert found.onsets >= 2
    assert found.echoes == ()
    assert (found.lag_s, found.reason) == (None, "")


def check_damaged(number: int) -> None:
    """Print-through at −40 and −46 dB, and rumble at 10 and 20 Hz, 30 dB below the music."""
    for turn_s, level_db, hz, high_pass_hz in ((1.1, -40, 10, 15), (2.3, -46, 20, 30)):
        damaged = rumbling(printed(side(number), turn_s, level_db), hz, -50)
        rumble, found = readings(damaged)
        if number != STRINGS:
            assert found.lag_s == pytest.approx(turn_s, abs=0.003)
        assert [echo.lag_s for echo in found.echoes] == pytest.approx(
            [turn_s] * len(found.echoes), abs=0.003
        )
        assert all(-70 < echo.level_db < level_db for echo in found.echoes)
        assert rumble.level_dbfs == pytest.approx(-50, abs=1.5)
        assert rumble.high_pass_hz == high_pass_hz


def readings(sound: NDArray[np.float64]) -> tuple[RumbleReading, PrintThroughReading]:
    low, programme = read(LowSoundMeter(RATE_HZ), sound), read(ProgrammeMeter(RATE_HZ), sound)
    return rumble_of(low, programme, LOUD_DB), print_through_of(low, programme)


def test_an_undamaged_side_has_neither() -> None:
    check_undamaged(0)


@pytest.mark.thorough
@pytest.mark.parametrize("number", MORE)
def test_more_undamaged_sides_have_neither(number: int) -> None:
    check_undamaged(number)


def test_rumble_and_print_through_are_found() -> None:
    check_damaged(0)


@pytest.mark.thorough
@pytest.mark.parametrize("number", MORE)
def test_rumble_and_print_through_of_more_sides_are_found(number: int) -> None:
    check_damaged(number)


def test_the_high_pass_lowers_the_rumble_as_stated() -> None:
    sound = rumbling(side(0), 14, -45)
    before, _ = readings(sound)
    assert before.high_pass_hz is not None
    assert before.level_dbfs is not None
    band = FilterBand("high_pass", before.high_pass_hz, slope=24)
    filtered = np.concatenate(list(equalise(in_blocks(sound), [band], RATE_HZ)))
    after, _ = readings(filtered)
    assert after.level_dbfs == pytest.approx(before.level_dbfs - before.lowered_db, abs=1)
    assert before.lowered_db >= 12


def test_without_pauses_nothing_is_determined() -> None:
    """A steady level in dense music is no pause, and music without quiet has no onset."""
    sound = piece(1, 12)
    rumble, found = readings(sound)
    assert (rumble.level_dbfs, rumble.high_pass_hz) == (None, None)
    assert rumble.reason
    assert found.lag_s is None
    assert found.reason == "no loud onset after 0.8 s of quiet"


@pytest.mark.parametrize(
    ("lags_s", "reason"),
    [
        ((1.1,), "a pre-echo before 1 of 4 loud onsets only"),
        ((0.4, 2.9), "the pre-echoes differ in time"),
        ((1.1, 1.3), ""),
    ],
)
def test_echoes_that_disagree_are_not_print_through(lags_s: tuple[float, ...], reason: str) -> None:
    found = PrintThroughReading(tuple(PreEcho(9.0, lag_s, -45) for lag_s in lags_s), 4)
    assert found.reason == reason
    assert (found.lag_s is None) == bool(reason)


@pytest.mark.parametrize("number", [0, 1, 2])
def test_a_repeated_phrase_is_not_print_through(number: int) -> None:
    """A loop played softly before it is played loud repeats itself at several lags."""
    beat = piece(number, 30)[: round(0.5 * RATE_HZ)]
    loop = np.tile(beat, (8, 1))
    pause = np.zeros((2 * RATE_HZ, 2))
    sound = np.concatenate([part for _ in range(3) for part in (pause, 0.01 * loop, loop)])
    _, found = readings(sound + hiss(len(sound), -70, 3))
    assert found.onsets >= 3
    assert found.echoes == ()
