"""Channels of music with known faults: balance, polarity, interchannel delay, DC offset."""

from __future__ import annotations

import numpy as np
import pytest
import soxr
from long_runs import series
from restoration.faulty_music import RATE_HZ, beside, crossed, hiss, late, piece, pieces, read

from assembler.restoration.analysis.stereo.channels import ChannelMeter

pytestmark = pytest.mark.filterwarnings("error")


def centred(number: int, width: float, length_s: float = 30.0) -> np.ndarray:
    """Return music in the centre, with other music left and right at `width`."""
    own = piece(number, length_s)
    middle = np.repeat(own.mean(axis=1, keepdims=True), 2, axis=1)
    others = [piece(beside(number, step), length_s).mean(axis=1) for step in (1, 2)]
    frames = min(len(middle), *map(len, others))
    sides = np.stack([side[:frames] for side in others], axis=1)
    scale = middle.std() / sides.std(axis=0)
    return middle[:frames] + width * scale * sides


def hiss_under(sound: np.ndarray, below_db: float, seed: int) -> np.ndarray:
    """Return hiss at a level below the sound."""
    return hiss(len(sound), 20 * np.log10(sound.std()) - below_db, seed)


@pytest.mark.thorough
@pytest.mark.parametrize("number", pieces(range(series(11, 4))))
@pytest.mark.parametrize("left_db", [-4.3, 1.7])
def test_balance_of_the_centre(number: int, left_db: float) -> None:
    """Other music left and right 16 dB lower, crosstalk at −35 dB, hiss at −60 dBFS."""
    sound = crossed(centred(number, 0.15), -35) * [10 ** (left_db / 40), 10 ** (-left_db / 40)]
    reading = read(ChannelMeter(RATE_HZ), sound + hiss(len(sound), -60, number))
    assert reading.balance_db == pytest.approx(left_db, abs=0.06)
    known = [each for each in reading.section_balances_db if each is not None]
    assert known
    assert np.median(known) == pytest.approx(left_db, abs=0.15)


@pytest.mark.thorough
def test_a_change_of_balance_shows_in_the_sections() -> None:
    sound = centred(2, 0.1)
    sound[20 * RATE_HZ :, 0] *= 10 ** (1 / 20)
    balances = read(ChannelMeter(RATE_HZ), sound).section_balances_db
    assert balances == pytest.approx([0, 0, 1], abs=0.1)


@pytest.mark.thorough
@pytest.mark.parametrize("first", [0, pytest.param(5, marks=pytest.mark.debian_music)])
def test_delay_of_stereo_music(first: int) -> None:
    """From 0 to 500 µs either way, with crosstalk, and hiss 55 dB below the music.

    Every determined delay is right; with too little common sound it is not determined.
    """
    known, cases = [], 5 if first == 0 else 11
    for number in (beside(first, step) for step in range(cases)):
        delay_us = float(np.random.default_rng(number).uniform(-500, 500))
        sound = crossed(piece(number), -40)
        channel = 1 if delay_us > 0 else 0
        sound[:, channel] = late(sound[:, channel], abs(delay_us))
        reading = read(ChannelMeter(RATE_HZ), sound + hiss_under(sound, 55, number))
        assert reading.polarity in ("same", "unclear")
        assert (reading.delay_us is None) == bool(reading.delay_reason)
        if reading.delay_us is not None:
            assert reading.delay_us == pytest.approx(delay_us, abs=2)
            known.append(number)
    assert len(known) >= cases / 2


@pytest.mark.debian_music
def test_delay_is_not_determined_if_hiss_masks_the_treble() -> None:
    reading = read(ChannelMeter(RATE_HZ), piece(14) + hiss_under(piece(14), 45, 9))
    assert reading.delay_us is None
    assert reading.delay_reason
    assert reading.polarity == "same"


@pytest.mark.parametrize(
    "delay_us",
    [
        0.7,
        120.0,
        *(pytest.param(us, marks=pytest.mark.thorough) for us in (0.0, 3.0, 17.3, 500.0)),
    ],
)
def test_delay_of_nearly_mono_music_with_hiss(delay_us: float) -> None:
    sound = centred(4, 0.05)
    sound[:, 1] = late(sound[:, 1], delay_us)
    reading = read(ChannelMeter(RATE_HZ), sound + hiss(len(sound), -50, 4))
    assert reading.delay_us == pytest.approx(delay_us, abs=2)
    assert reading.drift_us < 2


def test_delay_that_drifts() -> None:
    """A channel that runs slower by 1 ppm is 1 µs later each second."""
    sound = np.repeat(hiss(60 * RATE_HZ, -20, 1)[:, :1], 2, axis=1)
    slower = soxr.resample(sound[:, 1], RATE_HZ, RATE_HZ * (1 + 1e-6), quality="VHQ")
    sound[: len(slower), 1] = slower[: len(sound)]
    reading = read(ChannelMeter(RATE_HZ), sound + hiss(len(sound), -50, 2))
    assert reading.section_delays_us == pytest.approx([5, 15, 25, 35, 45, 55], abs=0.5)
    assert 30 <= reading.drift_us <= 50  # of medians of three


@pytest.mark.thorough
@pytest.mark.parametrize("first", [0, pytest.param(5, marks=pytest.mark.debian_music)])
def test_polarity_in_many_cases(first: int) -> None:
    """Stereo and nearly mono music, one channel inverted or not, crosstalk, hiss, delay, balance.

    Never wrong; and determined in most cases.
    """
    chance = np.random.default_rng(100)
    wrong, unclear, cases = [], 0, series(100, 30)
    for case in range(cases):
        number = beside(first, case)
        sound = piece(number, 30) if case % 2 else centred(number, 0.1, 30)
        start = int(chance.uniform(0, len(sound) - 8 * RATE_HZ))
        sound = crossed(sound[start : start + 8 * RATE_HZ], -30)
        channel = int(chance.integers(2))
        sound[:, channel] = late(sound[:, channel], chance.uniform(0, 300))
        sound *= 10 ** (chance.uniform(-4, 4, 2) / 20)
        inverted = bool(chance.integers(2))
        sound[:, chance.integers(2)] *= -1 if inverted else 1
        reading = read(ChannelMeter(RATE_HZ), sound + hiss_under(sound, 45, case))
        unclear += reading.polarity == "unclear"
        if reading.polarity == ("same" if inverted else "opposite"):
            wrong.append((case, inverted, reading.polarity))
    assert not wrong
    assert unclear < cases / 4


@pytest.mark.parametrize("length_s", [3, 30])
def test_dc_under_music(length_s: int) -> None:
    own = piece(2, length_s)
    dc = np.array([0.004, -0.0213])
    reading = read(ChannelMeter(RATE_HZ), own - own.mean(axis=0) + dc)
    assert reading.dc == pytest.approx(tuple(dc), abs=1e-4)


@pytest.mark.parametrize("hz", [20.0, 41.3, 97.0])
def test_a_truncated_bass_wave_is_not_dc(hz: float) -> None:
    wave = 0.5 * np.sin(2 * np.pi * hz * np.arange(int(3.013 * RATE_HZ)) / RATE_HZ)
    reading = read(ChannelMeter(RATE_HZ), np.stack((wave, wave), axis=1))
    assert reading.dc == pytest.approx((0, 0), abs=1e-4)


def test_a_dead_channel() -> None:
    """A channel with hiss and crosstalk at −45 dB only."""
    sound = piece(0)
    sound[:, 1] = 10 ** (-45 / 20) * sound[:, 0] + hiss(len(sound), -70, 1)[:, 1]
    reading = read(ChannelMeter(RATE_HZ), sound)
    assert reading.dead == ("right",)
    assert (reading.balance_db, reading.delay_us, reading.polarity) == (None, None, "unclear")


def test_mono_in_both_channels() -> None:
    sound = np.repeat(piece(2).mean(axis=1, keepdims=True), 2, axis=1)
    reading = read(ChannelMeter(RATE_HZ), sound)
    assert reading.identical
    assert reading.correlation == pytest.approx(1)
    assert reading.delay_us == pytest.approx(0, abs=1e-3)
    assert reading.balance_db == pytest.approx(0, abs=1e-4)
    sound[1000, 1] += 2**-20
    assert not read(ChannelMeter(RATE_HZ), sound).identical


@pytest.mark.parametrize("seconds", [0, 0.1, 3, 25])
def test_silence_has_no_values(seconds: float) -> None:
    reading = read(ChannelMeter(RATE_HZ), np.full((round(seconds * RATE_HZ), 2), 0.0))
    assert (reading.balance_db, reading.delay_us, reading.drift_us) == (None, None, None)
    assert (reading.polarity, reading.correlation, reading.dead) == ("unclear", 0, ())
    assert (reading.dc, reading.rms_dbfs) == ((0, 0), (None, None))
    assert set(reading.section_delays_us) <= {None}


def test_hiss_alone_has_no_values() -> None:
    for seed in range(20):
        reading = read(ChannelMeter(RATE_HZ), hiss(20 * RATE_HZ, -30, seed))
        assert (reading.balance_db, reading.delay_us) == (None, None)
        assert reading.polarity == "unclear"
        assert reading.rms_dbfs == pytest.approx((-30, -30), abs=0.05)


def test_three_seconds_of_music() -> None:
    reading = read(ChannelMeter(RATE_HZ), piece(3, 3))
    assert reading.polarity == "same"
    assert len(reading.section_delays_us) == 1
    assert reading.drift_us is None


@pytest.mark.parametrize("rate_hz", [22050, 44100, 96000, 192000])
def test_other_rates(rate_hz: int) -> None:
    """Noise delayed by whole samples, about 100 µs."""
    wide = np.random.default_rng(0).normal(0, 0.1, 30 * rate_hz)
    shift = round(100e-6 * rate_hz)
    sound = np.stack((wide[shift:], wide[: len(wide) - shift]), axis=1)
    reading = read(ChannelMeter(rate_hz), sound)
    assert reading.delay_us == pytest.approx(shift / rate_hz * 1e6, abs=0.1)
