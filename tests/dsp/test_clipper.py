"""The clipper: its curve, idle sound, blocks, and aliases measured on tones that fit the window."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from assembler.dsp.clipper import Clipper, clip

RATE_HZ = 44100
SIZE = 1 << 15
CEILING_DBTP = -1.0


def clipped(sound: np.ndarray, depth_db: float, blocks: int = 1) -> tuple[np.ndarray, float]:
    """Return clipped sound, and the maximum gain reduction."""
    found: list[float] = []
    stream = clip(
        np.array_split(sound, blocks), RATE_HZ, Clipper(CEILING_DBTP, depth_db),
        lambda _block, _taken, reduction: found.append(reduction.max(initial=0.0)),
    )  # fmt: skip
    return np.concatenate(list(stream)), max(found)


def tones(bins: tuple[int, ...], peak_db: float) -> np.ndarray:
    """Return tones at bins of a window of SIZE samples, three windows long, faded in and out."""
    t = np.arange(3 * SIZE) / SIZE
    fade = np.minimum(1, 8 * np.minimum(t, 3 - t))
    wave = np.sum([np.sin(2 * np.pi * b * t + b) for b in bins], axis=0) / len(bins)
    wave *= fade * 10 ** ((CEILING_DBTP + peak_db) / 20)
    return np.stack([wave, 0.5 * wave], 1).astype(np.float32)


def peak_db(sound: np.ndarray) -> float:
    return 20 * np.log10(np.abs(sound[SIZE : 2 * SIZE]).max()) - CEILING_DBTP


@pytest.mark.parametrize("depth_db", [0.1, 1.0, 2.0])
def test_a_peak_over_the_ceiling_by_the_depth_comes_out_at_the_ceiling(depth_db: float) -> None:
    for over_db, off_db in ((depth_db, depth_db), (4.0, depth_db), (-2.01 * depth_db, 0.0)):
        sound = tones((300,), over_db)
        result, most_db = clipped(sound, depth_db)
        assert most_db == pytest.approx(off_db, abs=0.001)
        assert peak_db(result) == pytest.approx(over_db - off_db, abs=0.01)
    assert np.array_equal(result, sound)


def test_the_curve_rises_everywhere() -> None:
    """A slow ramp through the whole curve comes out rising."""
    ramp = np.repeat(np.linspace(0.0, 1.3, 1 << 16)[:, None], 2, 1).astype(np.float32)
    result, most_db = clipped(ramp, 2.0)
    assert (np.diff(result[500:-500, 0].astype(np.float64)) > -1e-7).all()
    assert most_db == pytest.approx(2.0, abs=1e-3)


def legitimate(bins: tuple[int, ...]) -> set[int]:
    """Return the bins of harmonics and intermodulation below half the rate: those of odd order."""
    orders = itertools.product(range(-90, 91), repeat=len(bins))
    sums = (sum(n * b for n, b in zip(one, bins, strict=True)) for one in orders if sum(one) % 2)
    return {abs(one) for one in sums if abs(one) <= SIZE // 2}


@pytest.mark.parametrize("bins", [(14857,), (13003, 14489)], ids=str)
@pytest.mark.parametrize("depth_db", [0.5, 1.0, 2.0])
def test_aliases_are_100_db_below_the_sound(bins: tuple[int, ...], depth_db: float) -> None:
    """Largest bin that is no harmonic and no intermodulation, against the largest of all.

    Tones of 20 kHz, and of 17.5 and 19.5 kHz, whose peaks are 6 dB over the ceiling.
    """
    result, most_db = clipped(tones(bins, 6.0), depth_db)
    assert most_db == pytest.approx(depth_db, abs=0.03)
    spectrum = np.abs(np.fft.rfft(result[SIZE : 2 * SIZE, 0].astype(np.float64)))
    aliases = np.delete(spectrum, sorted(legitimate(bins)))
    assert 20 * np.log10(aliases.max() / spectrum.max()) < -100


def test_sound_below_the_curve_passes_bit_for_bit_beside_sound_above_it() -> None:
    sound = tones((300,), -6.0)
    sound[SIZE : SIZE + 50] *= 2.5
    result, most_db = clipped(sound, 1.5)
    changed = np.flatnonzero((result != sound).any(axis=1))
    assert most_db > 1
    assert changed.min() > SIZE - 0.01 * RATE_HZ
    assert changed.max() < SIZE + 0.5 * RATE_HZ


def test_blocks_of_any_length_give_the_same_bits() -> None:
    sound = np.random.default_rng(8).normal(0, 0.4, (9000, 2)).astype(np.float32)
    whole, _ = clipped(sound, 1.0)
    assert not np.array_equal(whole, sound)
    assert np.array_equal(clipped(sound, 1.0, 37)[0], whole)
    assert len(whole) == len(sound)
