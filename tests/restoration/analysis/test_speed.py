"""Speed measured from hum and reference tones, and speed correction."""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pytest
from restoration.faulty_music import RATE_HZ, hiss, in_blocks, joined, piece, pieces, read

from assembler.restoration.analysis.hum import HumReading
from assembler.restoration.analysis.speed import SpeedReading, ToneMeter, speed_from_hum
from assembler.restoration.repair.speed import change_speed


def tone(hz: float, length_s: float, rate_hz: int, flutter: float = 0.0) -> np.ndarray:
    """Return a sine at −12 dBFS in both channels, with flutter at 4 Hz."""
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    wobble = flutter * np.sin(2 * np.pi * 4 * time_s) / (2 * np.pi * 4)
    wave = 0.25 * np.sin(2 * np.pi * hz * (time_s + wobble))
    return np.stack((wave, wave), axis=1)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("nominal_hz", [315, 400, 440, 1000, 3150, 10_000])
@pytest.mark.parametrize("slow", [-0.031, 0.0, 0.008])
def test_speed_by_a_tone_before_the_music(nominal_hz: int, slow: float, rate_hz: int) -> None:
    """3 s of tone with 0.1 % of flutter, 45 dB above hiss, then silence with hiss."""
    own = tone(nominal_hz * (1 - slow), 3, rate_hz, 0.001)
    sound = np.concatenate((np.zeros((rate_hz // 3, 2)), own, np.zeros((3 * rate_hz, 2))))
    reading = read(ToneMeter(rate_hz), sound + hiss(len(sound), -60, nominal_hz))
    assert reading.percent_slow == pytest.approx(100 * slow, abs=0.02)
    assert f"{nominal_hz} Hz" in reading.how
    assert not reading.is_guess


@pytest.mark.parametrize(
    ("rate_hz", "weighted"), [(0.8, 0.501), (4.0, 1.0), (20.0, 0.507), (100.0, 0.136)]
)
def test_wow_and_flutter_of_a_tone(rate_hz: float, weighted: float) -> None:
    """A sine's 95 % peak is sin(0.475 π) of its own; gains are those of the weighting's points."""
    time_s = np.arange(12 * RATE_HZ) / RATE_HZ
    turn = 3150 * (time_s - 0.002 * np.cos(2 * np.pi * rate_hz * time_s) / (2 * np.pi * rate_hz))
    wave = 0.25 * np.sin(2 * np.pi * turn)
    found = read(ToneMeter(RATE_HZ), np.stack((wave, wave), axis=1)).flutter
    peak = 0.2 * np.sin(0.475 * np.pi)
    assert found.unweighted_percent == pytest.approx(peak, rel=0.02)
    assert found.weighted_percent == pytest.approx(peak * weighted, rel=0.03)
    assert found.wow_percent == pytest.approx(peak if rate_hz < 10 else 0, rel=0.02, abs=0.002)
    assert found.highest_hz == 200


def test_flutter_needs_5_s_of_tone_and_a_low_tone_reaches_less_far() -> None:
    assert read(ToneMeter(RATE_HZ), tone(1000, 4, RATE_HZ)).flutter is None
    found = read(ToneMeter(RATE_HZ), tone(315, 8, RATE_HZ, 0.001)).flutter
    assert found.highest_hz == pytest.approx(126, abs=0.1)
    assert found.unweighted_percent == pytest.approx(0.1 * np.sin(0.475 * np.pi), rel=0.03)


def test_a_tone_at_the_end_in_one_channel_or_against_phase() -> None:
    for gains in ([1, 0], [1, -1], [0.3, 1]):
        sound = np.concatenate((piece(0, 10), tone(990, 4, RATE_HZ) * gains))
        assert read(ToneMeter(RATE_HZ), sound).percent_slow == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("number", pieces())
def test_music_is_not_a_tone(number: int) -> None:
    assert read(ToneMeter(RATE_HZ), piece(number)) is None


def test_short_tones_and_others_and_silence_have_no_speed() -> None:
    assert read(ToneMeter(RATE_HZ), tone(1000, 1, RATE_HZ)) is None
    assert read(ToneMeter(RATE_HZ), tone(700, 6, RATE_HZ)) is None
    assert read(ToneMeter(RATE_HZ), tone(1050, 6, RATE_HZ)) is None
    assert read(ToneMeter(RATE_HZ), np.zeros((5 * RATE_HZ, 2))) is None
    assert read(ToneMeter(RATE_HZ), np.zeros((0, 2))) is None
    assert read(ToneMeter(RATE_HZ), hiss(5 * RATE_HZ, -30, 1)) is None


def test_speed_by_hum_is_a_guess() -> None:
    reading = speed_from_hum(HumReading(50, 49.60, (), -50.0))
    assert reading.percent_slow == pytest.approx(0.8)
    assert reading.is_guess
    assert "only if the hum is on the tape" in reading.how
    assert reading.factor == pytest.approx(50 / 49.60)
    assert speed_from_hum(HumReading(None, None, (), None)) is None


@pytest.mark.parametrize("factor", [Fraction("1.008"), 0.9731, 1.25, Fraction(50, 51)])
@pytest.mark.parametrize("frames", [1, 999, 100_003])
def test_length_is_exact(factor: float, frames: int) -> None:
    out = joined(change_speed(in_blocks(hiss(frames, -20, 1), 3001), 44100, factor))
    assert len(out) == round(frames / factor)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_pitch_is_corrected(rate_hz: int) -> None:
    """A tone of 992 Hz becomes 1000 Hz, with any residual below −90 dB."""
    out = joined(change_speed(in_blocks(tone(992, 8, rate_hz)), rate_hz, 1 / (1 - 0.008)))
    middle = out[rate_hz : 6 * rate_hz, 0].astype(float)
    time_s = np.arange(len(middle)) / rate_hz
    waves = [np.sin(2 * np.pi * 1000 * time_s), np.cos(2 * np.pi * 1000 * time_s)]
    basis = np.stack(waves, axis=1)
    fit, *_ = np.linalg.lstsq(basis, middle, rcond=None)
    assert np.hypot(*fit) == pytest.approx(0.25, rel=1e-4)
    assert (middle - basis @ fit).std() < 0.25 * 10 ** (-90 / 20)
    assert read(ToneMeter(rate_hz), out).percent_slow == pytest.approx(0, abs=0.001)


@pytest.mark.parametrize("factor", [Fraction("1.008"), Fraction("1.0081"), 0.9731, 1.25])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
def test_images_aliases_and_noise_of_a_tone_are_below_145_db(factor: float, share: float) -> None:
    """The tone is at that share of half the rate; its frequency is exact to some 1e-11."""
    hz = share * RATE_HZ / 2
    out = joined(change_speed(in_blocks(tone(hz, 4, RATE_HZ)), RATE_HZ, factor))
    rest = out[RATE_HZ : RATE_HZ + 65_536, 0].astype(float)
    if hz * factor < RATE_HZ / 2:
        turns = 2 * np.pi * hz * float(factor) / RATE_HZ * np.arange(len(rest))
        waves = np.stack((np.cos(turns), np.sin(turns)), axis=1)
        basis = np.concatenate((waves, waves * np.linspace(-1, 1, len(rest))[:, None]), axis=1)
        rest -= basis @ np.linalg.lstsq(basis, rest, rcond=None)[0]
    assert np.sqrt(2) * rest.std() < 0.25 * 10 ** (-145 / 20)


def test_blocks_of_any_size_give_the_same_and_1_passes() -> None:
    sound = piece(2, 3).astype(np.float32)
    whole = joined(change_speed(iter([sound]), RATE_HZ, 0.9971))
    edges = [0, 1, 1, 700, 70_001, len(sound)]
    blocks = (sound[a:b] for a, b in itertools.pairwise(edges))
    assert np.array_equal(joined(change_speed(blocks, RATE_HZ, 0.9971)), whole)
    assert np.array_equal(joined(change_speed(in_blocks(sound), RATE_HZ, Fraction(1))), sound)


def test_factor_of_a_reading_undoes_its_slowness() -> None:
    assert SpeedReading(0.8, "").factor * (1 - 0.008) == pytest.approx(1)
