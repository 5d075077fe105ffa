"""Sections in series against scipy.signal.sosfilt, with the same bits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from assembler.dsp.biquads import StereoCascade

SOUND = np.random.default_rng(2).normal(0, 0.2, (2000, 2))
LEFT = butter(5, 0.01, "high", output="sos")
RIGHT = butter(2, 0.3, output="sos")


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_each_channel_has_the_bits_of_scipy(dtype) -> None:
    """One channel has three sections, the other one; the state goes on in the next block."""
    sound = SOUND.astype(dtype)
    cascade = StereoCascade(LEFT, RIGHT)
    result = np.concatenate([cascade.filter(block) for block in (sound[:777], sound[777:])])
    assert result.dtype == dtype
    for channel, sections in enumerate((LEFT, RIGHT)):
        expected = sosfilt(sections, sound[:, channel].astype(np.float64)).astype(dtype)
        assert np.array_equal(result[:, channel], expected)


def test_without_sections_the_sound_is_unchanged() -> None:
    assert np.array_equal(StereoCascade([]).filter(SOUND), SOUND)


@pytest.mark.parametrize("shape", [(8, 1), (8, 3), (8,)])
def test_a_block_that_is_not_stereo_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="stereo"):
        StereoCascade(LEFT).filter(np.zeros(shape))
