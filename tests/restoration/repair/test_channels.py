"""Repair of channels, checked sample by sample and with the meter."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from restoration.faulty_music import RATE_HZ, Samples, hiss, in_blocks, joined, piece, read

from assembler.restoration.analysis.stereo.channels import ChannelMeter
from assembler.restoration.repair.channels import correct_balance, correct_channels


@pytest.fixture(scope="module")
def sound() -> Samples:
    """Five seconds of dense music."""
    return piece(1, 5).astype(np.float32)


def test_no_correction_passes_bit_for_bit(sound: Samples) -> None:
    assert np.array_equal(joined(correct_channels(in_blocks(sound))), sound)
    assert np.array_equal(joined(correct_balance(in_blocks(sound), 0.0)), sound)


def test_measured_dc_is_removed(sound: Samples) -> None:
    offset = sound + np.array([0.02, -0.005], np.float32)
    found = read(ChannelMeter(RATE_HZ), offset).dc
    after = joined(correct_channels(in_blocks(offset), dc=found))
    assert read(ChannelMeter(RATE_HZ), after).dc == pytest.approx((0, 0), abs=1e-7)


def test_swap_and_inversion_are_exact(sound: Samples) -> None:
    def changed(**steps: Any) -> Samples:
        return joined(correct_channels(in_blocks(sound), **steps))

    assert np.array_equal(changed(swap=True), sound[:, ::-1])
    assert np.array_equal(changed(invert="left"), sound * [-1, 1])
    assert np.array_equal(changed(invert="right"), sound * [1, -1])
    assert np.array_equal(changed(invert="both"), -sound)


def test_dc_is_that_before_a_swap_and_polarity_that_after(sound: Samples) -> None:
    steps: dict[str, Any] = {"dc": (0.25, -0.5), "swap": True, "invert": "right"}
    after = joined(correct_channels(in_blocks(sound), **steps))
    assert np.array_equal(after[:, 0], (sound[:, 1] + 0.5).astype(np.float32))
    assert np.array_equal(after[:, 1], -(sound[:, 0] - 0.25).astype(np.float32))


@pytest.mark.parametrize("left_db", [-6.0, 0.3, 2.5])
def test_balance_is_corrected_at_constant_power(sound: Samples, left_db: float) -> None:
    middle = np.repeat(sound[:, :1], 2, axis=1)
    after = joined(correct_balance(in_blocks(middle), left_db)).astype(float)
    left, right = (after**2).sum(axis=0)
    assert 10 * np.log10(left / right) == pytest.approx(left_db, abs=1e-4)
    assert left + right == pytest.approx((middle.astype(float) ** 2).sum(), rel=1e-6)


@pytest.mark.thorough
def test_measured_balance_is_corrected() -> None:
    middle = np.repeat(piece(3).mean(axis=1, keepdims=True), 2, axis=1)
    spoilt = middle * [1.0, 0.8] + hiss(len(middle), -65, 5)
    found = read(ChannelMeter(RATE_HZ), spoilt).balance_db
    after = joined(correct_balance(in_blocks(spoilt), -found))
    assert found == pytest.approx(20 * np.log10(1 / 0.8), abs=0.05)
    assert read(ChannelMeter(RATE_HZ), after).balance_db == pytest.approx(0, abs=0.02)
