"""Bandwidth of noise of known spectrum, through filters of known edges made with scipy."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from assembler.restoration.analysis.bandwidth import MAX_COLUMNS, BandwidthReading, SpectrumMeter

RATE_HZ = 44_100
Sound = NDArray[np.float64]


def read(sound: Sound, rate_hz: int = RATE_HZ, block: int = 30_011) -> BandwidthReading:
    both = np.stack((sound, 0.5 * sound), 1).astype(np.float32)
    meter = SpectrumMeter(rate_hz, len(both))
    for start in range(0, len(both), block):
        meter.feed(both[start : start + block])
    return meter.reading()


def gated_noise(seconds: int = 40, rate_hz: int = RATE_HZ) -> Sound:
    """Return white noise that is on for 2.5 s and off for 2.5 s."""
    time_s = np.arange(seconds * rate_hz) / rate_hz
    return np.random.default_rng(2).normal(size=len(time_s)) * 0.05 * (time_s % 5 < 2.5)


def hiss(count: int, rms: float = 1e-4) -> Sound:
    return np.random.default_rng(4).normal(size=count) * rms


@pytest.mark.parametrize("edge_hz", [5000, 11_000, 16_000, 19_000])
def test_a_steep_edge_is_a_cut_off(edge_hz: int) -> None:
    taps = scipy.signal.firwin(2001, edge_hz, fs=RATE_HZ)
    sound = scipy.signal.oaconvolve(gated_noise(), taps, "same")
    reading = read(sound + hiss(len(sound), 1e-6))
    assert reading.cliff_hz == pytest.approx(edge_hz, abs=150)
    assert reading.ends_hz == pytest.approx(edge_hz, rel=0.04)


@pytest.mark.parametrize("order", [1, 2, 4])
def test_the_gentle_fall_of_a_tape_is_not_a_cut_off(order: int) -> None:
    filter_ = scipy.signal.butter(order, 6000, fs=RATE_HZ, output="sos")
    sound = scipy.signal.sosfilt(filter_, gated_noise())
    assert read(sound + hiss(len(sound))).cliff_hz is None


def test_bandwidth_ends_where_the_filter_reaches_the_noise() -> None:
    filter_ = scipy.signal.butter(4, 4000, fs=RATE_HZ, output="sos")
    sound = scipy.signal.sosfilt(filter_, gated_noise())
    # Sound and hiss together are 6 dB above hiss where sound alone is 4.74 dB above it.
    hz, gain = scipy.signal.sosfreqz(filter_, 20_000, fs=RATE_HZ)
    above_db = 20 * np.log10(np.abs(gain) * 0.05 / 1e-3)
    expected_hz = hz[above_db > 10 * np.log10(10**0.6 - 1)].max()
    assert read(sound + hiss(len(sound), 1e-3)).ends_hz == pytest.approx(expected_hz, rel=0.1)


def test_a_whistle_is_not_a_cut_off() -> None:
    sound = gated_noise()
    whistle = 0.01 * np.sin(2 * np.pi * 15_625 * np.arange(len(sound)) / RATE_HZ)
    assert read(sound + whistle).cliff_hz is None


def test_the_density_is_that_of_white_noise() -> None:
    """White noise of rms σ has σ² / (rate / 2) per hertz; the right is 6.02 dB lower here."""
    reading = read(hiss(20 * RATE_HZ, 0.1))
    mean = 0.1**2 * (1 + 0.25) / 2 / (RATE_HZ / 2)
    middle = np.mean(10 ** (reading.spectrum.density_db[:, 100:] / 10))
    assert middle == pytest.approx(mean, rel=0.02)
    assert reading.ends_hz is None
    assert reading.cliff_hz is None


@pytest.mark.parametrize("count", [1, 1000, 3 * RATE_HZ])
def test_the_spectrum_of_short_and_silent_sound_has_no_nan(count: int) -> None:
    for sound in (np.zeros(count), hiss(count)):
        reading = read(sound)
        assert (reading.ends_hz, reading.cliff_hz) == (None, None)
        assert np.isfinite(reading.spectrum.density_db).all()


def test_the_spectrum_is_bounded_however_long_the_side_is() -> None:
    meter = SpectrumMeter(8000, 4 * 3600 * 8000)
    meter.feed(np.zeros((1000, 2), np.float32))
    block = np.full((8000 * 60, 2), 0.1, np.float32)
    for _ in range(239):
        meter.feed(block)
    assert len(meter.reading().spectrum.density_db) == MAX_COLUMNS - 3


def test_block_lengths_change_nothing() -> None:
    sound = gated_noise(10)
    whole, pieces = read(sound, block=len(sound)), read(sound, block=777)
    assert np.array_equal(whole.spectrum.density_db, pieces.spectrum.density_db)
    assert (whole.ends_hz, whole.cliff_hz) == (pieces.ends_hz, pieces.cliff_hz)
