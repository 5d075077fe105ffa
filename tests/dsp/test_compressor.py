"""The compressor against the static curve and the time constants of Giannoulis, Massberg and Reiss,
"Digital Dynamic Range Compressor Design", J. Audio Eng. Soc. 60(6), 2012.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assembler.dsp.compressor import compress
from assembler.dsp.compressor_settings import CompressorSettings

RATE_HZ = 48000
SET = CompressorSettings(-20.0, 4.0, attack_s=0.01, release_s=0.3, knee_db=6.0)
NOISE = np.random.default_rng(60).normal(0, 0.2, (4000, 2)).astype(np.float32)


def compressed(sound: np.ndarray, chosen: CompressorSettings = SET) -> np.ndarray:
    return np.concatenate(list(compress([sound], chosen, RATE_HZ)))


def square(levels_db: np.ndarray) -> np.ndarray:
    """Return a sound whose every peak is at the level: the sign changes each millisecond."""
    signs = np.where(np.arange(len(levels_db)) // 48 % 2, -1, 1)
    return np.repeat((signs * 10 ** (levels_db / 20))[:, None], 2, 1).astype(np.float32)


def gain_db(chosen: CompressorSettings, sound: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(compressed(sound, chosen) / sound)[:, 0].astype(np.float64))


def curve_db(level: float, chosen: CompressorSettings) -> float:
    """Output level by equation 4 of the paper."""
    t, r, w = chosen.threshold_db, chosen.ratio, chosen.knee_db
    if 2 * (level - t) < -w:
        return level
    if 2 * abs(level - t) <= w:
        return level + (1 / r - 1) * (level - t + w / 2) ** 2 / (2 * w) if w else level
    return t + (level - t) / r


@pytest.mark.parametrize("ratio", [1.5, 4.0, 20.0])
@pytest.mark.parametrize("knee_db", [0.0, 6.0, 12.0])
def test_the_static_curve_is_that_of_the_paper(ratio, knee_db) -> None:
    chosen = SET._replace(ratio=ratio, knee_db=knee_db)
    for level in np.arange(-40, 0.1, 2.5):
        found = level + gain_db(chosen, square(np.full(RATE_HZ // 2, level)))[-1]
        assert found == pytest.approx(curve_db(level, chosen), abs=0.005)


def test_a_tone_is_compressed_by_the_static_curve() -> None:
    tone = 0.5 * np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(RATE_HZ))
    result = compressed(np.stack([tone, tone], 1).astype(np.float32))[-4800:, 0]
    expected = curve_db(20 * np.log10(0.5), SET)
    assert 20 * np.log10(np.abs(result).max()) == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(("attack_s", "release_s"), [(0.001, 0.05), (0.03, 0.2), (0.1, 0.1)])
def test_time_constants(attack_s, release_s) -> None:
    chosen = SET._replace(attack_s=attack_s, release_s=release_s)
    low, high = np.full(RATE_HZ, -40.0), np.full(RATE_HZ * 2, -5.0)
    gain = -gain_db(chosen, square(np.concatenate((low, high, low))))
    most = gain[3 * RATE_HZ - 1]
    rise = np.flatnonzero(gain >= most * (1 - np.exp(-1)))[0] - RATE_HZ
    fall = np.flatnonzero(gain[3 * RATE_HZ :] <= most * np.exp(-1))[0]
    assert rise / RATE_HZ == pytest.approx(attack_s, rel=0.05)
    assert fall / RATE_HZ == pytest.approx(release_s, rel=0.05)


@pytest.mark.parametrize("chosen", [SET._replace(ratio=1.0), SET._replace(threshold_db=12.0)])
def test_with_nothing_to_do_it_is_bit_exact(chosen) -> None:
    assert np.array_equal(compressed(NOISE, chosen), NOISE)


def test_a_mix_of_nothing_is_the_sound_and_half_is_between() -> None:
    whole, half = compressed(NOISE), compressed(NOISE, SET._replace(mix=0.5))
    assert np.array_equal(compressed(NOISE, SET._replace(mix=0.0)), NOISE)
    assert np.abs(half - (whole + NOISE) / 2).max() < 1e-6
    assert np.abs(whole - NOISE).max() > 0.1


def test_channels_share_the_gain() -> None:
    left = NOISE * np.array([1, 0.01], np.float32)
    result = compressed(left)
    ratios = result[1000:].astype(np.float64) / left[1000:]
    assert np.abs(ratios[:, 0] / ratios[:, 1] - 1).max() < 1e-5
    assert ratios.max() < 0.9


def test_the_sidechain_does_not_hear_below_its_high_pass() -> None:
    bass = 0.9 * np.sin(2 * np.pi * 30 / RATE_HZ * np.arange(RATE_HZ))
    sound = np.stack([bass, bass], 1).astype(np.float32)
    assert np.abs(compressed(sound))[-4800:].max() < 0.5
    result = compressed(sound, SET._replace(sidechain_hz=300.0))[-4800:]
    assert np.array_equal(result, sound[-4800:])


@settings(deadline=None, max_examples=30)
@given(st.sets(st.integers(1, len(NOISE) - 1), max_size=8))
def test_blocks_of_any_size_are_equal(cuts: set[int]) -> None:
    chosen = SET._replace(mix=0.7, sidechain_hz=100.0)
    edges = [0, *sorted(cuts), len(NOISE)]
    blocks = [NOISE[a:b] for a, b in itertools.pairwise(edges)]
    result = np.concatenate(list(compress(blocks, chosen, RATE_HZ)))
    assert np.array_equal(result, compressed(NOISE, chosen))
