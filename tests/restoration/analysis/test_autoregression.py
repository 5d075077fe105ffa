"""Autoregressive models, and gaps interpolated by them.

Expected values follow from the definitions (Godsill and Rayner, Digital Audio Restoration, 1998,
from memory): a model recovers the process of a signal, and an interpolated gap has the least sum of
squared prediction errors.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from assembler.restoration.analysis.autoregression import (
    ar_interpolate,
    ar_restore,
    interpolation_errors,
    lerp,
    lpc,
    prediction_errors,
)

Signal = NDArray[np.float64]
PROCESS = np.array([1.0, -1.6, 0.9])


@pytest.fixture
def process_output() -> Signal:
    """Return the output of the process for noise."""
    noise = np.random.default_rng(7).standard_normal(20_000)
    samples: Signal = lfilter([1.0], PROCESS, 0.01 * noise)
    return samples


def test_a_model_recovers_the_process(process_output: Signal) -> None:
    assert lpc(process_output, 2) == pytest.approx(PROCESS, abs=0.02)


def test_prediction_errors_are_the_input_noise(process_output: Signal) -> None:
    noise = 0.01 * np.random.default_rng(7).standard_normal(20_000)
    errors = prediction_errors(process_output, PROCESS)
    assert errors[2:] == pytest.approx(noise[2:], abs=1e-12)
    assert not errors[:2].any()


def test_two_sided_errors_show_a_click_at_its_size(process_output: Signal) -> None:
    clicked = process_output.copy()
    clicked[9_000] += 3.0
    shown = interpolation_errors(prediction_errors(clicked, PROCESS), PROCESS)
    assert np.argmax(np.abs(shown)) == 9_000
    assert shown[9_000] == pytest.approx(3.0, abs=0.05)
    one_sided = np.std(prediction_errors(process_output, PROCESS))
    two_sided = np.std(interpolation_errors(prediction_errors(process_output, PROCESS), PROCESS))
    assert two_sided < 0.6 * one_sided  # 1 / root of the sum of squared taps: 0.48


def test_an_interpolated_gap_has_the_least_errors(process_output: Signal) -> None:
    sound = process_output[4_000:6_000]
    gap = slice(1_000, 1_030)
    filled = sound.copy()
    filled[gap] = ar_interpolate(sound, 1_000, 1_030, 2)
    around = filled.copy()
    taps = lpc(around, 2)
    least = float(np.sum(prediction_errors(filled, taps) ** 2))
    rng = np.random.default_rng(1)
    for _ in range(50):
        other = filled.copy()
        other[gap] += 0.01 * rng.standard_normal(30)
        assert np.sum(prediction_errors(other, taps) ** 2) > least


@pytest.mark.parametrize("missing", [1, 5, 60])
def test_a_gap_in_tones_is_interpolated_far_better_than_by_a_line(missing: int) -> None:
    time = np.arange(4_200)
    sound = 0.3 * np.sin(0.05 * time) + 0.2 * np.sin(0.31 * time + 1) + 0.1 * np.sin(0.9 * time)
    first, last = 2_000, 2_000 + missing
    true = sound[first:last]
    error = np.sqrt(np.mean((ar_interpolate(sound, first, last, 96) - true) ** 2))
    line = np.sqrt(np.mean((lerp(sound, first, last) - true) ** 2))
    assert error < line / 30


def test_silence_stays_silent() -> None:
    silence = np.zeros(500)
    assert not ar_interpolate(silence, 200, 240, 32).any()
    assert lpc(silence, 8).tolist() == [1.0] + 8 * [0.0]


@pytest.mark.parametrize("gap", [(0, 4), (96, 100)])
def test_a_gap_at_an_end_is_refused(gap: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="no sound on one side"):
        ar_interpolate(np.ones(100), *gap, 8)


def test_little_sound_next_to_a_gap_is_enough(process_output: Signal) -> None:
    sound = process_output[100:140]
    assert np.isfinite(ar_interpolate(sound, 3, 10, 96)).all()


def test_sound_shorter_than_a_model_has_no_errors() -> None:
    assert not prediction_errors(np.ones(3), np.ones(9)).any()
    assert not interpolation_errors(np.ones(3), np.ones(9)).any()


def test_restoring_uses_the_sound_that_noise_did_not_cover(process_output: Signal) -> None:
    """A slow process below a burst of white noise as strong as it: 5 dB better than without."""
    slow = lfilter([1.0], np.poly([0.98, 0.95]), process_output)
    sound = slow[4_000:10_000] / np.std(slow)
    noisy = sound.copy()
    gap = slice(3_000, 3_200)
    noisy[gap] += np.random.default_rng(4).standard_normal(200)
    errors = [
        np.sum((repair(noisy, gap.start, gap.stop, 40) - sound[gap]) ** 2)
        for repair in (ar_restore, ar_interpolate)
    ]
    assert errors[0] < errors[1] / 3
    assert errors[0] < np.sum((noisy[gap] - sound[gap]) ** 2) / 10
