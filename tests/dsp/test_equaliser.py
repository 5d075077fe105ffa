"""The equaliser as a stream: blocks, channels and nothing to do (responses: tests/standards)."""

from __future__ import annotations

import functools
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assembler.dsp.equaliser import FilterBand, equalise

BANDS = [
    FilterBand("high_pass", 30.0, slope=24),
    FilterBand("bell", 2800.0, -6.0, 1.2),
    FilterBand("high_shelf", 8000.0, 2.0),
]
SOUND = np.random.default_rng(2021).normal(0, 0.2, (3000, 2)).astype(np.float32)


@functools.cache
def equalised() -> np.ndarray:
    """Return the sound equalised in one block."""
    return np.concatenate(list(equalise([SOUND], BANDS, 44100)))


@settings(deadline=None, max_examples=60)
@given(st.sets(st.integers(1, len(SOUND) - 1), max_size=10))
def test_blocks_of_any_size_are_equal(cuts: set[int]) -> None:
    edges = [0, *sorted(cuts), len(SOUND)]
    blocks = [SOUND[a:b] for a, b in itertools.pairwise(edges)]
    result = np.concatenate(list(equalise(blocks, BANDS, 44100)))
    assert result.dtype == np.float32
    assert np.array_equal(result, equalised())


def test_an_empty_block_is_passed_over() -> None:
    """A resampler, for example, returns empty blocks at first."""
    blocks = [SOUND[:0], SOUND[:1000], SOUND[:0], SOUND[1000:]]
    result = np.concatenate(list(equalise(blocks, BANDS, 44100)))
    assert np.array_equal(result, equalised())


def test_channels_are_independent() -> None:
    left = SOUND * np.array([1, 0], np.float32)
    result = np.concatenate(list(equalise([left], BANDS, 44100)))
    assert np.array_equal(result[:, 0], equalised()[:, 0])
    assert not result[:, 1].any()


def test_without_bands_blocks_are_unchanged() -> None:
    blocks = [SOUND[:100], SOUND[100:]]
    assert all(a is b for a, b in zip(equalise(blocks, [], 44100), blocks, strict=True))


def through(sound: np.ndarray, *bands: FilterBand) -> np.ndarray:
    """Return a sound through bands, in float64."""
    return np.concatenate(list(equalise([sound], bands, 44100))).astype(np.float64)


SIDE = FilterBand("bell", 2800.0, -6.0, 1.2, on="side")
MID = SIDE._replace(on="mid")
MONO_BELOW = FilterBand("high_pass", 200.0, slope=24, on="side")
PCM_24 = (np.random.default_rng(24).integers(-(2**22), 2**22, (30000, 2)) / 2**23).astype("f4")


def mid_and_side(sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    left, right = sound.astype(np.float64).T
    return left + right, left - right


@pytest.mark.parametrize(("bands", "untouched"), [([SIDE, MONO_BELOW], 0), ([MID], 1)])
def test_the_part_that_no_band_is_on_stays_bit_equal(bands, untouched) -> None:
    before, after = mid_and_side(PCM_24), mid_and_side(through(PCM_24, *bands))
    assert np.array_equal(after[untouched], before[untouched])
    assert np.abs(after[1 - untouched] - before[1 - untouched]).max() > 0.1


def test_a_band_on_mid_and_the_same_on_side_are_one_on_stereo() -> None:
    expected = through(SOUND, SIDE._replace(on="stereo"), *BANDS)
    assert np.abs(through(SOUND, SIDE, *BANDS, MID) - expected).max() < 2**-23


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_mono_below_lowers_the_side_by_24_db_an_octave_below(rate_hz) -> None:
    """A fourth-order Butterworth: 10 log10(1 + 2^8) = 24.1 dB; 3 dB at the corner."""
    impulse = np.zeros((1 << 16, 2), np.float32)
    impulse[0] = 0.5, -0.5
    answer = np.concatenate(list(equalise([impulse], [MONO_BELOW], rate_hz)))
    assert np.array_equal(answer[:, 0], -answer[:, 1])
    spectrum = np.abs(np.fft.rfft(2 * answer[:, 0].astype(np.float64), rate_hz))
    side_db = 20 * np.log10(spectrum[[100, 200, 800]])
    assert side_db[0] < -24
    assert side_db[1] == pytest.approx(-3.01, abs=0.01)
    assert side_db[2] == pytest.approx(0, abs=0.01)


@settings(deadline=None, max_examples=30)
@given(st.sets(st.integers(1, len(SOUND) - 1), max_size=6))
def test_blocks_of_any_size_are_equal_on_mid_and_side(cuts: set[int]) -> None:
    edges = [0, *sorted(cuts), len(SOUND)]
    blocks = [SOUND[a:b] for a, b in itertools.pairwise(edges)]
    result = np.concatenate(list(equalise(blocks, [MID, MONO_BELOW], 44100)))
    assert np.array_equal(result, through(SOUND, MID, MONO_BELOW))
