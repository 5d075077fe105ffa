"""What is read at moving places is what each place's own taps would read there."""

from __future__ import annotations

import numpy as np
import pytest

from assembler.dsp.varying_delay import (
    BOTH_ORDER,
    CHANNEL_ORDER,
    read_both,
    read_channel,
    tap_polynomials,
)

HALF, STEP, GROUP, FIRST, FRAMES = 16, 8, 64, 100, 4096
NOISE = np.random.default_rng(5).normal(0, 0.2, (FRAMES + 2 * FIRST, 2)).astype(np.float32)
WAVE = np.sin(np.arange(FRAMES // STEP + 1) / 240)
"""Moves by at most 1/30 within a group, below zero and above it."""


def taps_at(fractions: np.ndarray) -> np.ndarray:
    """Return a sinc in a window of Gauss."""
    ages = np.arange(2 * HALF) - HALF + 1 - fractions[:, None]
    taps: np.ndarray = np.sinc(ages) * np.exp(-((ages / 5) ** 2))
    return taps


def expected(offsets: np.ndarray) -> np.ndarray:
    """Return the sums with taps of each sample's own place, in double precision."""
    numbers = np.arange(FRAMES)
    places = FIRST + numbers + np.interp(numbers / STEP, np.arange(len(offsets)), offsets)
    whole = np.floor(places).astype(int)
    near = NOISE.astype(float)[whole[:, None] + np.arange(2 * HALF) - HALF + 1]
    sums: np.ndarray = np.einsum("nk,nkc->nc", taps_at(places - whole), near)
    return sums


@pytest.mark.parametrize(("moved", "most_db"), [(0.002, -130), (0.25, -110)])
def test_both_channels(moved: float, most_db: float) -> None:
    coefficients = tap_polynomials(taps_at, BOTH_ORDER, moved)
    out = np.empty((FRAMES, 2), np.float32)
    read_both(NOISE, FIRST, 30 * moved * WAVE, STEP, GROUP, coefficients, out)
    assert level_db(out - expected(30 * moved * WAVE)) < most_db


@pytest.mark.parametrize(("moved", "most_db"), [(0.002, -125), (0.03, -100)])
def test_one_channel(moved: float, most_db: float) -> None:
    coefficients = tap_polynomials(taps_at, CHANNEL_ORDER, moved)
    out = np.zeros((FRAMES, 2), np.float32)
    read_channel(NOISE[:, 1], FIRST, 30 * moved * WAVE, STEP, GROUP, coefficients, out[:, 1])
    assert level_db(out[:, 1] - expected(30 * moved * WAVE)[:, 1]) < most_db
    assert not out[:, 0].any()


def level_db(error: np.ndarray) -> float:
    """Return the peak of an error re that of the noise."""
    return float(20 * np.log10(np.abs(error).max() / np.abs(NOISE).max()))
