"""What must not change a meter's reading, and what has none (by definition of the
scales; the lengths of 400 ms and 3 s are EBU Tech 3341's).
"""

from __future__ import annotations

import functools
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assembler.dsp.meter import Reading, read_meter
from assembler.dsp.true_peak import PeakMeter

RATE_HZ = 44100
LENGTH = 5 * RATE_HZ


def wandering_noise() -> np.ndarray:
    """Noise between -50 and -15 dBFS, other in each channel."""
    random = np.random.default_rng(3341)
    levels_db = np.repeat(random.uniform(-50, -15, (50, 2)), RATE_HZ // 10, axis=0)
    noise = np.clip(random.normal(0, 1, (LENGTH, 2)), -3, 3) * 10 ** (levels_db / 20)
    return noise.astype(np.float32)


NOISE = wandering_noise()
LOUDNESS_SCALES = ("integrated_lufs", "max_momentary_lufs", "max_short_term_lufs")
PEAK_SCALES = ("true_peak_dbtp", "sample_peak_dbfs")


@functools.cache
def noise_reading() -> Reading:
    """Return the reading of the noise in one block."""
    return read_meter([NOISE], RATE_HZ)


def scales(reading: Reading, *names: str) -> list[float | None]:
    return [getattr(reading, name) for name in names]


@settings(deadline=None, max_examples=40)
@given(st.floats(-15, 25))
def test_a_gain_changes_every_level_by_its_own_amount(gain_db: float) -> None:
    louder = (NOISE * np.float32(10 ** (gain_db / 20))).astype(np.float32)
    reading = read_meter([louder], RATE_HZ)
    for name in (*LOUDNESS_SCALES, *PEAK_SCALES):
        expected = getattr(noise_reading(), name) + gain_db
        assert getattr(reading, name) == pytest.approx(expected, abs=0.001), name
    assert reading.loudness_range_lu == pytest.approx(noise_reading().loudness_range_lu, abs=0.001)


def test_channels_swapped_and_inverted_read_the_same() -> None:
    for other in (NOISE[:, ::-1], -NOISE):
        reading = read_meter([np.ascontiguousarray(other)], RATE_HZ)
        assert scales(reading, *PEAK_SCALES) == scales(noise_reading(), *PEAK_SCALES)
        names = (*LOUDNESS_SCALES, "loudness_range_lu")
        assert scales(reading, *names) == pytest.approx(scales(noise_reading(), *names), abs=1e-9)


def test_one_channel_twice_is_3_lu_more() -> None:
    mono = np.ascontiguousarray(NOISE[:, :1])
    alone = read_meter([mono], RATE_HZ, 1).integrated_lufs
    both = read_meter([np.repeat(mono, 2, axis=1)], RATE_HZ).integrated_lufs
    assert both - alone == pytest.approx(10 * np.log10(2), abs=1e-6)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(0, LENGTH), max_size=30))
def test_blocks_of_any_size_read_the_same(cuts: list[int]) -> None:
    edges = [0, *sorted(cuts), LENGTH]
    blocks = [NOISE[a:b] for a, b in itertools.pairwise(edges)]
    assert read_meter(blocks, RATE_HZ) == noise_reading()


def test_small_blocks_read_the_same() -> None:
    blocks = np.split(NOISE[: 2 * RATE_HZ], range(7, 2 * RATE_HZ, 7))
    assert read_meter(blocks, RATE_HZ) == read_meter([NOISE[: 2 * RATE_HZ]], RATE_HZ)


@pytest.mark.parametrize("length_s", [0.01, 1, 10])
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_silence_has_no_reading(length_s: float, channels: int) -> None:
    length = round(length_s * RATE_HZ)
    reading = read_meter([np.zeros((length, channels), np.float32)], RATE_HZ, channels)
    assert reading == Reading(length, *[None] * 8)


def test_no_sound_has_no_reading() -> None:
    nothing = Reading(0, *[None] * 8)
    assert read_meter([], RATE_HZ) == nothing
    assert read_meter([np.zeros((0, 2), np.float32)], RATE_HZ) == nothing


@pytest.mark.parametrize("rate_hz", [11025, 44100, 48000, 96000])
def test_short_sound_has_only_the_readings_that_fit(rate_hz: int) -> None:
    random = np.random.default_rng(rate_hz)
    sound = random.normal(0, 0.1, (4 * rate_hz, 2)).astype(np.float32)

    def of_length(length: int) -> Reading:
        return read_meter([sound[:length]], rate_hz)

    block, window = rate_hz * 4 // 10, 3 * rate_hz
    assert scales(of_length(block - 1), *LOUDNESS_SCALES) == [None, None, None]
    assert of_length(block - 1).true_peak_dbtp is not None
    integrated, momentary, short_term = scales(of_length(block), *LOUDNESS_SCALES)
    assert integrated == pytest.approx(momentary)
    assert short_term is None
    assert scales(of_length(window - 1), "max_short_term_lufs", "loudness_range_lu") == [None, None]
    assert of_length(window).max_short_term_lufs == pytest.approx(integrated, abs=1.0)
    assert of_length(window).loudness_range_lu == 0.0


def test_one_sample_has_a_peak() -> None:
    reading = read_meter([np.full((1, 2), -0.5, np.float32)], RATE_HZ)
    assert reading.frames == 1
    assert reading.integrated_lufs is None
    assert reading.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-3)
    assert reading.true_peak_dbtp == pytest.approx(-6.0206, abs=1e-3)


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 2**32 - 1),
    length=st.integers(1, 3000),
    rate_hz=st.sampled_from([44100, 48000, 96000, 192000]),
)
def test_true_peak_is_never_below_the_sample_peak(seed: int, length: int, rate_hz: int) -> None:
    sound = np.random.default_rng(seed).normal(0, 0.3, (length, 2)).astype(np.float32)
    meter = PeakMeter(rate_hz, 2)
    meter.feed(sound)
    meter.finish()
    assert meter.sample_peak == pytest.approx(np.abs(sound).max(), rel=1e-7)
    assert meter.true_peak >= meter.sample_peak


@pytest.mark.parametrize("place", [0, 1, 31, 32, 33, 127, 128, 500, 997, 998])
def test_a_peak_is_found_at_any_position(place: int) -> None:
    """Two neighbours of 0.5: the wave between them reaches 2/π (the sinc halfway)."""
    sound = np.zeros((1000, 2), np.float32)
    sound[place : place + 2, 1] = 0.5
    reading = read_meter([sound], RATE_HZ)
    expected_dbtp = 20 * np.log10(2 / np.pi)
    assert reading.true_peak_dbtp == pytest.approx(expected_dbtp, abs=0.05)
