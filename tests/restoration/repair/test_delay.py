"""Fractional delay of one channel: flat, exact, independent of block lengths."""

from __future__ import annotations

import functools
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from restoration.faulty_music import RATE_HZ, in_blocks, joined, late, piece, read

from assembler.restoration.analysis.stereo.channels import ChannelMeter
from assembler.restoration.repair.delay import align_channels, follow_delay

NOISE = np.random.default_rng(7).normal(0, 0.2, (3000, 2)).astype(np.float32)


@functools.cache
def shifted() -> np.ndarray:
    """Return the noise aligned in one block."""
    return joined(align_channels(iter([NOISE]), 44100, 61.7))


@settings(deadline=None, max_examples=60)
@given(st.sets(st.integers(0, len(NOISE)), max_size=10))
def test_blocks_of_any_size_give_the_same(cuts: set[int]) -> None:
    edges = [0, *sorted(cuts), len(NOISE)]
    blocks = (NOISE[a:b] for a, b in itertools.pairwise(edges))
    assert np.array_equal(joined(align_channels(blocks, 44100, 61.7)), shifted())


def test_no_delay_passes_the_blocks_themselves() -> None:
    blocks = [NOISE[:100], NOISE[100:]]
    assert all(a is b for a, b in zip(align_channels(blocks, 44100, 0.0), blocks, strict=True))


@pytest.mark.parametrize("samples", [1, 7, 22])
def test_whole_samples_are_shifted_exactly(samples: int) -> None:
    moved = joined(align_channels(iter([NOISE]), 50_000, samples * 20.0))
    assert np.array_equal(moved[samples:, 0], NOISE[:-samples, 0])
    assert not moved[:samples, 0].any()
    assert np.array_equal(moved[:, 1], NOISE[:, 1])


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("delay_us", [0.8, 11.337, -250.0, 499.9])
def test_response_is_flat_and_the_delay_exact_up_to_20_khz(rate_hz: int, delay_us: float) -> None:
    impulse = np.zeros((4096, 2), np.float32)
    impulse[1000] = 1
    out = joined(align_channels(in_blocks(impulse, 333), rate_hz, delay_us)).astype(float)
    early, other = (0, 1) if delay_us > 0 else (1, 0)
    assert np.array_equal(out[:, other], impulse[:, other])
    hz = np.fft.rfftfreq(4096, 1 / rate_hz)
    response = np.fft.rfft(out[:, early]) / np.fft.rfft(impulse[:, early])
    audible = (hz > 0) & (hz < 20_000)
    assert np.abs(20 * np.log10(np.abs(response[audible]))).max() < 0.001
    error = np.angle(response[audible] * np.exp(2j * np.pi * hz[audible] * abs(delay_us) * 1e-6))
    assert np.abs(error / (2 * np.pi * hz[audible])).max() < 1e-9


@pytest.mark.thorough
@pytest.mark.parametrize("delay_us", [37.2, -141.9])
def test_measured_delay_is_corrected(delay_us: float) -> None:
    sound = piece(2)
    channel = 1 if delay_us > 0 else 0
    sound[:, channel] = late(sound[:, channel], abs(delay_us))
    found = read(ChannelMeter(RATE_HZ), sound).delay_us
    after = joined(align_channels(in_blocks(sound), RATE_HZ, found))
    assert len(after) == len(sound)
    assert found == pytest.approx(delay_us, abs=2)
    assert read(ChannelMeter(RATE_HZ), after).delay_us == pytest.approx(0, abs=0.5)


PATH_US = (30.0, 0.0, -20.0, 0.0, 0.0, 140.0, 139.0)
"""Through zero and along it, and steeply up, over 1.5 s."""


def followed(sound: np.ndarray, rate_hz: int, block: int, start: int = 0) -> np.ndarray:
    return joined(follow_delay(in_blocks(sound, block), rate_hz, PATH_US, start))


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("hz", [440.0, 15_000.0])
def test_a_tone_is_delayed_along_the_path(rate_hz: int, hz: float) -> None:
    """The early channel is the tone at the times of a formula; the late one is bit-equal."""
    places = np.arange(round(1.5 * rate_hz))
    delays = np.interp(places / rate_hz, 0.25 * np.arange(len(PATH_US)), PATH_US) * 1e-6 * rate_hz
    sound = 0.5 * np.sin(2 * np.pi * hz / rate_hz * np.stack((places, places), axis=1))
    out = followed(sound, rate_hz, 3001)
    corner = 0.25 * rate_hz  # the filter changes every 64 samples, not at a corner of the path
    inside = np.abs(places - corner * np.round(places / corner)) > 100
    for channel, own in enumerate((np.maximum(delays, 0), np.maximum(-delays, 0))):
        expected = 0.5 * np.sin(2 * np.pi * hz / rate_hz * (places - own))
        error = (out[:, channel] - expected)[inside]
        assert 20 * np.log10(np.abs(error).max()) < -85
        still = inside & (own == 0)
        assert np.array_equal(out[still, channel], sound.astype(np.float32)[still, channel])


def test_a_channel_passes_bit_for_bit_up_to_64_samples_from_where_a_slow_delay_begins() -> None:
    """Many samples are filtered at once there."""
    sound = np.random.default_rng(4).normal(0, 0.2, (40_000, 2)).astype(np.float32)
    path_us = (0.0, 0.0, 0.5, 0.0, -0.5)
    out = joined(follow_delay(in_blocks(sound, 3001), 44_100, path_us, 0))
    delays = np.interp(np.arange(len(sound)) / 44_100, 0.25 * np.arange(len(path_us)), path_us)
    for channel, own in enumerate((delays > 0, delays < 0)):
        near = np.convolve(own, np.ones(2 * 64 + 1), "same") > 0
        assert np.array_equal(out[~near, channel], sound[~near, channel])
        assert (out[own, channel] != sound[own, channel]).mean() > 0.9


def test_a_passage_is_followed_like_the_whole_side() -> None:
    sound = np.random.default_rng(3).normal(0, 0.2, (60_000, 2))
    whole = followed(sound, 48_000, len(sound))
    assert np.array_equal(followed(sound, 48_000, 777), whole)
    passage = followed(sound[12_345:], 48_000, 5000, start=12_345)
    assert np.array_equal(passage[100:], whole[12_345 + 100 :])


def test_a_path_without_delay_passes_bit_for_bit() -> None:
    assert np.array_equal(joined(follow_delay(iter([NOISE]), 44100, (0.0, 0.0), 0)), NOISE)
