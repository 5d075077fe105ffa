"""The level of a side in steps of 10 ms, its noise floor, and its start and end of programme.

The filters' responses are those of Butterworth high passes, 1 / (1 + (f0 / f)^2n) of the power
(S. Butterworth, Wireless Engineer 7, 1930, from memory).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from restoration.made_sides import RATE_HZ, level, reading, side, silence, song

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.noise_floor import LEAST_FLOOR_DB, LOWEST_DB
from assembler.restoration.analysis.programme import (
    WEIGHTED_HZ,
    WIDE_HZ,
    ProgrammeMeter,
    ProgrammeReading,
)


def metered(blocks: Iterable[Samples], rate_hz: int) -> ProgrammeReading:
    meter = ProgrammeMeter(rate_hz)
    for block in blocks:
        meter.feed(block)
    return meter.reading()


def sine(hz: float, rate_hz: int, seconds: float = 2.0) -> Samples:
    wave = np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)
    return np.repeat(wave[:, None], 2, axis=1).astype(np.float32)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("hz", [50, 100, 200, 1_000])
def test_high_passes_are_butterworths_at_every_rate(rate_hz: int, hz: int) -> None:
    found = metered([sine(hz, rate_hz)], rate_hz)
    wide = -10 * np.log10(2 * (1 + (WIDE_HZ / hz) ** 4))
    weighted = wide - 10 * np.log10(1 + (WEIGHTED_HZ / hz) ** 8)
    whole_periods = slice(100, 200)
    for levels, expected in ((found.wide_db, wide), (found.levels_db, weighted)):
        mean = 10 * np.log10(np.mean(10 ** (levels[whole_periods] / 10)))
        assert mean == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 96_000, 11_025])
def test_block_lengths_change_nothing(rate_hz: int) -> None:
    samples = side(silence(1), song(4))
    whole = metered([samples], rate_hz)
    rng = np.random.default_rng(4)
    cuts = np.sort(rng.integers(0, len(samples), 60))
    parts = metered(np.split(samples, [*cuts, cuts[-1]]), rate_hz)
    assert np.allclose(parts.levels_db, whole.levels_db, atol=1e-4)
    assert np.allclose(parts.wide_db, whole.wide_db, atol=1e-4)
    assert (parts.floor_db, parts.begins_s) == pytest.approx((whole.floor_db, whole.begins_s))


def test_there_is_a_level_for_each_10_ms() -> None:
    meter = ProgrammeMeter(44_100)
    meter.feed(np.zeros((44_100 * 3 + 200, 2), np.float32))
    found = meter.reading()
    assert len(found.levels_db) == 301
    assert found.length_s == pytest.approx(3 + 200 / 44_100)
    assert found.levels_db.max() == LOWEST_DB
    assert (found.begins_s, found.ends_s, found.peak_dbfs) == (None, None, None)


def test_an_empty_side_has_no_programme() -> None:
    found = metered([], 48_000)
    assert len(found.levels_db) == 0
    assert found.begins_s is None


@pytest.mark.parametrize("noise_db", [-75.0, -60.0, -48.0])
def test_the_floor_is_the_noise_between_songs(noise_db: float) -> None:
    found = reading(silence(2), song(20), silence(2), song(20, -35), silence(2), noise_db=noise_db)
    in_band = 10 * np.log10(1 - WEIGHTED_HZ / (RATE_HZ / 2))
    assert found.floor_db == pytest.approx(noise_db + in_band, abs=0.3)
    assert found.wide_floor_db == pytest.approx(noise_db, abs=0.3)
    assert found.begins_s == pytest.approx(2, abs=0.03)
    assert found.ends_s is not None
    assert 43.5 < found.ends_s < 44.1


def test_hum_and_rumble_do_not_raise_the_floor() -> None:
    samples = side(silence(2), song(20), silence(3))
    t = np.arange(len(samples)) / RATE_HZ
    low = level(-45) * (np.sin(2 * np.pi * 50 * t) + np.sin(2 * np.pi * 12 * t))
    plain, hummed = (
        metered([wave], RATE_HZ) for wave in (samples, (samples + low[:, None]).astype(np.float32))
    )
    assert hummed.floor_db == pytest.approx(plain.floor_db, abs=0.3)
    assert hummed.begins_s == pytest.approx(plain.begins_s, abs=0.02)
    assert hummed.wide_floor_db > plain.wide_floor_db + 8


def test_bass_alone_is_sound() -> None:
    bass = level(-30) * np.sin(2 * np.pi * 41 * np.arange(5 * RATE_HZ) / RATE_HZ)
    found = reading(silence(2), bass, song(20), silence(2))
    assert found.begins_s == pytest.approx(2, abs=0.06)


def test_the_floor_is_that_of_the_running_tape() -> None:
    running = side(silence(2), song(30), silence(2), noise_db=-55)
    at_rest = side(silence(4), noise_db=-80, seed=2)
    found = metered([np.concatenate((at_rest, running, at_rest))], RATE_HZ)
    assert found.floor_db == pytest.approx(-55, abs=0.5)
    assert found.begins_s == pytest.approx(6, abs=0.05)


def test_digital_silence_between_songs_is_the_floor() -> None:
    found = reading(song(20), silence(2), song(20, -34), silence(2), song(9), noise_db=-np.inf)
    assert found.floor_db == LEAST_FLOOR_DB


def test_digital_silence_around_a_transfer_is_not_the_floor() -> None:
    tape = side(silence(2), song(20), silence(2), noise_db=-58)
    nothing = np.zeros((3 * RATE_HZ, 2), np.float32)
    found = metered([np.concatenate((nothing, tape, nothing))], RATE_HZ)
    assert found.floor_db == pytest.approx(-58, abs=0.5)
    assert found.begins_s == pytest.approx(5, abs=0.05)
