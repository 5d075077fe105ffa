"""The equaliser as a stream: blocks, channels and nothing to do (responses: tests/standards)."""

from __future__ import annotations

import functools
import itertools

import numpy as np
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
