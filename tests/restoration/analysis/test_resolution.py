"""PCM of known word length with known clipped peaks, counted by numpy sample by sample."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from assembler.restoration.analysis.resolution import MAX_STEPS, BitDepthMeter, BitDepthReading

RATE_HZ = 44_100


def read(sound: NDArray[np.float64], bits: int | None = 24, block: int = 10_007) -> BitDepthReading:
    meter = BitDepthMeter(RATE_HZ, len(sound), bits)
    for start in range(0, len(sound), block):
        meter.feed(sound[start : start + block].astype(np.float32))
    return meter.reading()


def noise(seconds: float, seed: int = 1) -> NDArray[np.float64]:
    return np.random.default_rng(seed).normal(size=(round(seconds * RATE_HZ), 2)) * 0.1


@pytest.mark.parametrize("bits", [8, 12, 16, 20, 23, 24])
def test_the_bits_in_use_are_counted(bits: int) -> None:
    sound = np.round(noise(0.5) * 2 ** (bits - 1)) / 2 ** (bits - 1)
    assert read(sound).bits_used == (bits, bits)


def test_each_channel_by_itself_and_silence_has_none() -> None:
    sound = noise(0.5)
    sound[:, 0] = np.round(sound[:, 0] * 2**15) / 2**15
    sound[:, 1] = 0
    assert read(sound).bits_used == (16, None)
    assert read(sound).peak_dbfs[1] is None


def test_one_sample_below_the_16th_bit_is_enough() -> None:
    sound = np.round(noise(2) * 2**15) / 2**15
    sound[70_000, 1] += 2.0**-22
    assert read(sound).bits_used == (16, 23)


def test_float_samples_have_no_bit_depth() -> None:
    assert read(noise(0.1) / 3, bits=None).bits_used == (None, None)


def test_peaks_are_the_highest_samples_of_either_sign() -> None:
    sound = np.zeros((1000, 2))
    sound[10], sound[20] = (0.25, 0.125), (-0.5, -0.0625)
    assert read(sound).peak_dbfs == pytest.approx((-6.0206, -18.0618), abs=1e-3)


def test_a_sample_beyond_full_scale_counts_as_such() -> None:
    sound = np.zeros((1000, 2))
    sound[10] = 2.0, 1e9
    peak_dbfs = read(sound, bits=None).peak_dbfs
    assert peak_dbfs == pytest.approx((6.0206, 20 * np.log10(128)), abs=1e-3)


def flat_peaks(sound: NDArray[np.float64]) -> list[tuple[int, int]]:
    """Return runs of three or more at the top and the bottom of one channel: start, length."""
    found = []
    for signed in (sound, -sound):
        at_top = np.concatenate(([False], signed == signed.max(), [False]))
        edges = np.flatnonzero(np.diff(at_top.astype(int)))
        runs = zip(edges[::2], edges[1::2] - edges[::2], strict=True)
        found += [(int(a), int(n)) for a, n in runs if n >= 3]
    return sorted(found)


@pytest.mark.parametrize("block", [999, 4096, 131_072])
def test_clipped_peaks_are_those_that_numpy_counts(block: int) -> None:
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    swell = 0.4 + 0.6 * np.sin(2 * np.pi * time_s / 3) ** 2
    wave = swell * np.sin(2 * np.pi * 311 * time_s)
    sound = np.round(np.stack((wave, -0.9 * wave), 1).clip(-0.7, 0.75) * 2**23) / 2**23
    expected = flat_peaks(sound[:, 0]), flat_peaks(sound[:, 1])
    reading = read(sound, block=block)
    assert reading.clipped_peaks == sum(map(len, expected)) > 100
    assert reading.longest_samples == max(n for part in expected for _, n in part)
    seconds = {start // RATE_HZ for start, _ in expected[0]}
    assert {place.at_s for place in reading.clipped if place.channel == "left"} == seconds
    assert sum(place.peaks for place in reading.clipped) == reading.clipped_peaks


@pytest.mark.parametrize(("bits", "hz"), [(16, 20), (24, 1)])
def test_the_round_peaks_of_a_low_sine_are_not_clipped(bits: int, hz: int) -> None:
    wave = 0.99 * np.sin(2 * np.pi * hz * np.arange(3 * RATE_HZ) / RATE_HZ)
    sound = np.round(np.stack((wave, wave), 1) * 2 ** (bits - 1)) / 2 ** (bits - 1)
    assert flat_peaks(sound[:, 0])  # its peak does last for three samples or more
    assert read(sound, bits).clipped_peaks == 0


def test_a_higher_sample_later_resets_the_clipped_peaks() -> None:
    sound = np.zeros((RATE_HZ, 2))
    sound[100:110, 0] = 0.5
    assert read(sound).clipped_peaks == 1
    sound[30_000, 0] = 0.6
    assert read(sound).clipped_peaks == 0


def test_the_level_over_time_is_bounded_and_right() -> None:
    sound = noise(3)
    sound[RATE_HZ:] *= 0.1
    levels = read(sound).levels
    assert len(levels.rms) <= MAX_STEPS
    second = round(1 / levels.step_s)
    assert np.median(levels.rms[: second - 1]) == pytest.approx(0.1, rel=0.1)
    assert np.median(levels.rms[second + 1 :]) == pytest.approx(0.01, rel=0.1)
    assert levels.peak.max() == pytest.approx(np.abs(sound).max(), abs=2**-23)
