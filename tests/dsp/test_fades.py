"""Fades: the sine law and the straight line, computed independently."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assembler.dsp.fades import Shape, fade, fade_gain

SHAPES: list[Shape] = ["equal_power", "linear"]


def faded(
    blocks: list[np.ndarray], fade_in: int, fade_out: int, shape: Shape = "equal_power"
) -> np.ndarray:
    length = sum(len(block) for block in blocks)
    return np.concatenate(list(fade(blocks, length, fade_in, fade_out, shape=shape)))


def curve(part: float, shape: Shape) -> float:
    return part if shape == "linear" else math.sin(math.pi / 2 * part)


def gains(length: int, fade_in: int, fade_out: int, shape: Shape) -> np.ndarray:
    """Gain of each sample, one by one."""
    values = []
    for place in range(length):
        gain = 1.0
        if place < fade_in:
            gain *= curve(place / fade_in, shape)
        from_end = length - 1 - place
        if from_end < fade_out:
            gain *= curve(from_end / fade_out, shape)
        values.append(gain)
    return np.array(values)


def test_ends_are_silent_and_the_middle_is_untouched() -> None:
    sound = np.random.default_rng(1).uniform(0.1, 0.9, (1000, 2)).astype(np.float32)
    result = faded([sound], 100, 300)
    assert not result[0].any()
    assert not result[-1].any()
    assert np.array_equal(result[100:700], sound[100:700])
    assert (result[1:100] < sound[1:100]).all()
    assert (result[700:] < sound[700:]).all()
    assert result[50] == pytest.approx(sound[50] * math.sqrt(0.5), rel=1e-6)
    assert result[999 - 150] == pytest.approx(sound[999 - 150] * math.sqrt(0.5), rel=1e-6)


def test_power_of_crossing_fades_adds_up_to_one() -> None:
    places = np.arange(501)
    assert fade_gain(places, 500) ** 2 + fade_gain(500 - places, 500) ** 2 == pytest.approx(1.0)


def test_amplitudes_of_crossing_lines_add_up_to_one() -> None:
    places = np.arange(501)
    assert fade_gain(places, 500, "linear") + fade_gain(
        500 - places, 500, "linear"
    ) == pytest.approx(1.0)
    assert fade_gain(places, 500, "linear")[125] == 0.25


def test_a_fade_is_equal_power_by_default() -> None:
    sound = np.ones((100, 2), np.float32)
    left_out = np.concatenate(list(fade([sound], 100, 50, 20)))
    assert np.array_equal(left_out, faded([sound], 50, 20, "equal_power"))
    assert not np.array_equal(left_out, faded([sound], 50, 20, "linear"))


@pytest.mark.parametrize("shape", SHAPES)
@settings(deadline=None, max_examples=100)
@given(length=st.integers(2, 3000), fade_in=st.integers(1, 4000), fade_out=st.integers(1, 4000))
def test_exact_lengths_and_never_over_the_ends(
    shape: Shape, length: int, fade_in: int, fade_out: int
) -> None:
    """A fade of n samples changes n samples and no other, however long; the ends are silent."""
    sound = np.full((length, 2), 0.5, np.float32)
    only_in, only_out = faded([sound], fade_in, 0, shape), faded([sound], 0, fade_out, shape)
    assert len(only_in) == len(only_out) == length
    assert not only_in[0].any()
    assert not only_out[-1].any()
    changed_in, changed_out = (
        np.flatnonzero((result != sound).any(axis=1)) for result in (only_in, only_out)
    )
    assert changed_in[0] == 0
    assert changed_out[-1] == length - 1
    # The sine's last samples round to 1 in float32: within 1/5000 of the fade's length.
    assert 0 <= min(fade_in, length) - len(changed_in) <= fade_in / 5000
    assert 0 <= min(fade_out, length) - len(changed_out) <= fade_out / 5000
    assert (np.diff(only_in[:, 0]) >= 0).all()
    assert (np.diff(only_out[:, 0]) <= 0).all()
    both = faded([sound], fade_in, fade_out, shape)
    assert (both <= np.minimum(only_in, only_out)).all()


def test_without_fades_blocks_are_unchanged() -> None:
    blocks = [np.ones((5, 2), np.float32), np.ones((7, 2), np.float32)]
    assert all(a is b for a, b in zip(fade(blocks, 12, 0, 0), blocks, strict=True))


@settings(deadline=None, max_examples=150)
@given(
    length=st.integers(1, 400),
    fade_in=st.integers(0, 500),
    fade_out=st.integers(0, 500),
    cuts=st.lists(st.integers(1, 399), max_size=6),
    shape=st.sampled_from(SHAPES),
)
def test_gain_of_each_sample_in_blocks_of_any_size(
    length: int, fade_in: int, fade_out: int, cuts: list[int], shape: Shape
) -> None:
    sound = np.random.default_rng(length).uniform(-1, 1, (length, 2)).astype(np.float32)
    edges = [0, *sorted({cut for cut in cuts if cut < length}), length]
    result = faded([sound[a:b] for a, b in itertools.pairwise(edges)], fade_in, fade_out, shape)
    assert result.dtype == np.float32
    assert len(result) == length
    expected = sound * gains(length, fade_in, fade_out, shape)[:, None]
    assert np.abs(result - expected).max() < 1e-6


@pytest.mark.parametrize(("fade_in", "fade_out"), [(0, 0), (4, 0), (0, 4)])
def test_an_empty_block_is_passed_over(fade_in: int, fade_out: int) -> None:
    """A resampler, for example, returns empty blocks at first."""
    sound = np.ones((10, 2), np.float32)
    blocks = [sound[:0], sound[:6], sound[6:6], sound[6:]]
    expected = faded([sound], fade_in, fade_out)
    assert np.array_equal(faded(blocks, fade_in, fade_out), expected)
