"""TPDF dither of 2 LSB (Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40, 1992): the total
error has mean 0 and variance Δ²/4, whatever the signal; bounds are five standard errors.
"""

from __future__ import annotations

import numpy as np
import pytest

from assembler.sound.dither import WordLength, samples_of

COUNT = 400_000
LSB = 2.0**-15
OFFSETS_LSB = [0.0, 0.1, 0.25, 0.4, 0.5, 0.75, -0.3, 1000.5]


def errors_lsb(samples: np.ndarray, seed: int) -> np.ndarray:
    words = WordLength(16, seed).words(samples)
    return words - samples.astype(np.float64) / LSB


def tone_dbfs(level: float, bins: int, length: int) -> np.ndarray:
    """A stereo sine that fills `length` with a whole number of periods."""
    wave = 10 ** (level / 20) * np.sin(2 * np.pi * bins / length * np.arange(length))
    return np.stack([wave, wave], 1).astype(np.float32)


@pytest.mark.parametrize("offset_lsb", OFFSETS_LSB)
def test_first_two_moments_at_any_level(offset_lsb: float) -> None:
    error = errors_lsb(np.full((COUNT, 2), offset_lsb * LSB, np.float32), 1992)
    square = error**2
    assert abs(error.mean()) <= 5 * error.std() / np.sqrt(error.size)
    assert abs(square.mean() - 0.25) <= 5 * square.std() / np.sqrt(error.size)
    assert np.abs(error).max() <= 1.5


def test_error_does_not_follow_the_signal() -> None:
    ramp = np.linspace(-2 * LSB, 2 * LSB, COUNT).astype(np.float32)[:, None]
    position = (ramp[:, 0] / LSB) % 1.0
    error = errors_lsb(ramp, 7)[:, 0]
    for moment, expected in ((error, 0.0), (error**2, 0.25)):
        for tenth in range(10):
            part = moment[(position >= tenth / 10) & (position < (tenth + 1) / 10)]
            assert abs(part.mean() - expected) < 5 * part.std() / np.sqrt(len(part))


def test_error_is_white_and_channels_are_apart() -> None:
    error = errors_lsb(np.zeros((COUNT, 2), np.float32), 3)
    bound = 5 / np.sqrt(COUNT)
    assert abs(np.corrcoef(error[:, 0], error[:, 1])[0, 1]) < bound
    for lag in (1, 2, 3, 64):
        assert abs(np.corrcoef(error[lag:, 0], error[:-lag, 0])[0, 1]) < bound


def power_of_harmonics(words: np.ndarray, bins: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean power in the bins of harmonics 1 to 15, and in the bins between them."""
    power = np.mean(np.abs(np.fft.rfft(words, axis=1)) ** 2, axis=0)
    places = bins * np.arange(1, 16)
    between = np.concatenate([power[p + 5 : p + bins - 5] for p in places])
    return power[places], between


def test_tone_below_one_step_has_no_harmonics() -> None:
    """At -100 dBFS, a third of a step: rounding alone loses it, dither keeps it clean."""
    length, bins, runs = 8192, 97, 200
    samples = tone_dbfs(-100.0, bins, length)
    assert not WordLength(16, None).words(samples).any()
    word_length = WordLength(16, 100)
    words = np.stack([word_length.words(samples)[:, 0] for _ in range(runs)])
    harmonics, between = power_of_harmonics(words, bins)
    floor, spread = between.mean(), between.std()
    assert floor == pytest.approx(length * 0.25, rel=0.02)
    assert harmonics[1:].max() < floor + 5 * spread
    expected_amplitude = 10 ** (-100 / 20) / LSB
    assert np.sqrt(harmonics[0]) * 2 / length == pytest.approx(expected_amplitude, rel=0.05)


def test_rounding_alone_has_harmonics() -> None:
    """The measurement above can see them."""
    length, bins = 8192, 97
    words = WordLength(16, None).words(tone_dbfs(-88.0, bins, length))[None, :, 0]
    harmonics, _ = power_of_harmonics(words, bins)
    assert harmonics[1:].max() > 100 * length * 0.25


def test_seed_decides_the_words() -> None:
    samples = np.random.default_rng(5).normal(0, 0.1, (5000, 2)).astype(np.float32)
    first = WordLength(16, 11).words(samples)
    assert np.array_equal(first, WordLength(16, 11).words(samples))
    assert not np.array_equal(first, WordLength(16, 12).words(samples))


def test_dither_runs_on_from_block_to_block() -> None:
    samples = np.zeros((6000, 2), np.float32)
    word_length = WordLength(16, 11)
    cuts = np.split(samples, [1, 17, 1000, 1000, 4096])
    pieces = [word_length.words(piece) for piece in cuts]
    assert np.array_equal(np.concatenate(pieces), WordLength(16, 11).words(samples))
    assert not np.array_equal(pieces[1][:16], pieces[2][:16])


def test_mono_stays_mono() -> None:
    wave = np.random.default_rng(6).normal(0, 0.1, 20000).astype(np.float32)
    samples = np.stack([wave, wave], 1)
    words = WordLength(16, 9, same_in_both=True).words(samples)
    assert np.array_equal(words[:, 0], words[:, 1])
    assert np.mean((words[:, 0] - wave / np.float64(LSB)) ** 2) == pytest.approx(0.25, rel=0.05)
    apart = WordLength(16, 9).words(samples)
    assert not np.array_equal(apart[:, 0], apart[:, 1])


@pytest.mark.parametrize("bits", [16, 24])
def test_words_pass_exactly_without_dither(bits: int) -> None:
    top = 1 << (bits - 1)
    words = np.random.default_rng(bits).integers(-top, top, (50_000, 2), np.int32)
    words[:4] = [[-top, top - 1], [0, -1], [1, 0], [top - 1, -top]]
    again = WordLength(bits, None).words(samples_of(words, bits))
    assert again.dtype == np.int32
    assert np.array_equal(again, words)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("seed", [None, 4])
def test_full_scale_clips_instead_of_turning_over(bits: int, seed: int | None) -> None:
    top = 1 << (bits - 1)
    samples = np.array([[1.0, -1.0], [1.5, -1.5]], np.float32)
    words = WordLength(bits, seed).words(np.repeat(samples, 500, axis=0))
    assert words[:, 0].max() == top - 1
    assert words[:, 1].min() == -top
    assert words[:, 0].min() > top - 4
    assert words[:, 1].max() < -top + 4
