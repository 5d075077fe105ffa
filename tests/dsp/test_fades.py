"""Fades: levels of the sine law and of the straight line, and ffmpeg's afade.

Levels: the sine of 22.5, 30, 45, 60 and 67.5 degrees from a table, in dB; -3 dB half-way is the law
of equal power (Roads, The Computer Music Tutorial, MIT Press 1996, from memory). Curves `qsin` and
`tri` of afade: ffmpeg.org/ffmpeg-filters.html.
"""

from __future__ import annotations

import itertools
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from outside import program

from assembler.dsp.fades import Shape, fade, fade_gain

SHAPES: list[Shape] = ["equal_power", "linear"]


def faded(
    blocks: list[np.ndarray], fade_in: int, fade_out: int, shape: Shape = "equal_power"
) -> np.ndarray:
    length = sum(len(block) for block in blocks)
    return np.concatenate(list(fade(blocks, length, fade_in, fade_out, shape=shape)))


LEVELS_DB: dict[Shape, dict[float, float]] = {
    "equal_power": {1 / 4: -8.34, 1 / 3: -6.02, 1 / 2: -3.01, 2 / 3: -1.25, 3 / 4: -0.69},
    "linear": {1 / 4: -12.04, 1 / 3: -9.54, 1 / 2: -6.02, 2 / 3: -3.52, 3 / 4: -2.50},
}
"""By the part of the fade that has passed."""


@pytest.mark.parametrize(
    ("shape", "part", "level_db"),
    [(shape, part, db) for shape, levels in LEVELS_DB.items() for part, db in levels.items()],
)
def test_levels_on_the_way(shape: Shape, part: float, level_db: float) -> None:
    sound = np.full((24000, 2), 0.5, np.float32)
    result = faded([sound], 12000, 12000, shape)
    place = round(12000 * part)
    for sample in (result[place], result[-1 - place]):
        assert 20 * np.log10(sample / 0.5) == pytest.approx(level_db, abs=0.005)


def by_ffmpeg(sound: np.ndarray, fade_in: int, fade_out: int, shape: Shape) -> np.ndarray:
    """Fade with afade; its fade-out is 0 one sample after its last, so it starts one earlier."""
    curve = {"equal_power": "qsin", "linear": "tri"}[shape]
    filters = [f"afade=in:ss=0:ns={fade_in}:curve={curve}"] if fade_in else []
    if fade_out:
        filters += [f"afade=out:ss={len(sound) - 1 - fade_out}:ns={fade_out}:curve={curve}"]
    kind = ["-f", "f32le", "-ar", "48000", "-ac", "2"]
    command = [program("ffmpeg", "ffmpeg"), "-v", "error", *kind, "-i", "-"]
    command += ["-af", ",".join(filters), *kind, "-"]
    done = subprocess.run(command, input=sound.tobytes(), capture_output=True, check=True)
    return np.frombuffer(done.stdout, np.float32).reshape(-1, 2)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize(("fade_in", "fade_out"), [(1000, 0), (0, 1777), (480, 3000), (2500, 2400)])
def test_ffmpeg_fades_alike(fade_in: int, fade_out: int, shape: Shape) -> None:
    sound = np.random.default_rng(1).uniform(-1, 1, (4000, 2)).astype(np.float32)
    expected = by_ffmpeg(sound, fade_in, fade_out, shape)
    assert np.abs(faded([sound], fade_in, fade_out, shape) - expected).max() < 2e-7


def test_ends_are_silent_and_the_middle_is_untouched() -> None:
    sound = np.random.default_rng(1).uniform(0.1, 0.9, (1000, 2)).astype(np.float32)
    result = faded([sound], 100, 300)
    assert not result[0].any()
    assert not result[-1].any()
    assert np.array_equal(result[100:700], sound[100:700])
    assert (result[1:100] < sound[1:100]).all()
    assert (result[700:] < sound[700:]).all()


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
def test_blocks_of_any_size_are_faded_as_one(
    length: int, fade_in: int, fade_out: int, cuts: list[int], shape: Shape
) -> None:
    sound = np.random.default_rng(length).uniform(-1, 1, (length, 2)).astype(np.float32)
    edges = [0, *sorted({cut for cut in cuts if cut < length}), length]
    result = faded([sound[a:b] for a, b in itertools.pairwise(edges)], fade_in, fade_out, shape)
    assert result.dtype == np.float32
    assert np.array_equal(result, faded([sound], fade_in, fade_out, shape))
    one_after_the_other = faded([faded([sound], fade_in, 0, shape)], 0, fade_out, shape)
    assert np.abs(result - one_after_the_other).max() < 2e-7


@pytest.mark.parametrize(("fade_in", "fade_out"), [(0, 0), (4, 0), (0, 4)])
def test_an_empty_block_is_passed_over(fade_in: int, fade_out: int) -> None:
    """A resampler, for example, returns empty blocks at first."""
    sound = np.ones((10, 2), np.float32)
    blocks = [sound[:0], sound[:6], sound[6:6], sound[6:]]
    expected = faded([sound], fade_in, fade_out)
    assert np.array_equal(faded(blocks, fade_in, fade_out), expected)
