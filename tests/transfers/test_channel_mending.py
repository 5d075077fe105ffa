"""Mending of channels, sample by sample and by the meter."""

from __future__ import annotations

import numpy as np
import pytest
from transfers.spoilt_music import RATE_HZ, hiss, in_blocks, mended, piece, read

from assembler.transfers.channel_mending import balanced, inverted, swapped, without_dc
from assembler.transfers.channels import ChannelMeter

SOUND = piece(1, 5).astype(np.float32)


def test_nothing_asked_passes_bit_for_bit() -> None:
    assert np.array_equal(mended(without_dc(in_blocks(SOUND), RATE_HZ, (0.0, 0.0))), SOUND)
    assert np.array_equal(mended(balanced(in_blocks(SOUND), 0.0)), SOUND)


def test_dc_is_taken_off_as_it_was_measured() -> None:
    offset = SOUND + np.array([0.02, -0.005], np.float32)
    found = read(ChannelMeter(RATE_HZ), offset).dc
    after = mended(without_dc(in_blocks(offset), RATE_HZ, found))
    assert read(ChannelMeter(RATE_HZ), after).dc == pytest.approx((0, 0), abs=1e-7)


def test_swapped_and_inverted_are_exact() -> None:
    assert np.array_equal(mended(swapped(in_blocks(SOUND))), SOUND[:, ::-1])
    assert np.array_equal(mended(inverted(in_blocks(SOUND), "left")), SOUND * [-1, 1])
    assert np.array_equal(mended(inverted(in_blocks(SOUND), "right")), SOUND * [1, -1])
    assert np.array_equal(mended(inverted(in_blocks(SOUND), "both")), -SOUND)


@pytest.mark.parametrize("left_db", [-6.0, 0.3, 2.5])
def test_balance_is_set_and_the_middle_keeps_its_power(left_db: float) -> None:
    middle = np.repeat(SOUND[:, :1], 2, axis=1)
    after = mended(balanced(in_blocks(middle), left_db)).astype(float)
    left, right = (after**2).sum(axis=0)
    assert 10 * np.log10(left / right) == pytest.approx(left_db, abs=1e-4)
    assert left + right == pytest.approx((middle.astype(float) ** 2).sum(), rel=1e-6)


def test_the_measured_balance_mends_itself() -> None:
    middle = np.repeat(piece(3).mean(axis=1, keepdims=True), 2, axis=1)
    spoilt = middle * [1.0, 0.8] + hiss(len(middle), -65, 5)
    found = read(ChannelMeter(RATE_HZ), spoilt).balance_db
    after = mended(balanced(in_blocks(spoilt), -found))
    assert found == pytest.approx(20 * np.log10(1 / 0.8), abs=0.05)
    assert read(ChannelMeter(RATE_HZ), after).balance_db == pytest.approx(0, abs=0.02)
