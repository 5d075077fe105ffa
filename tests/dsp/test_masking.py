"""The masking threshold of Johnston (1988) on sounds whose answer is plain."""

from __future__ import annotations

import numpy as np

from assembler.dsp.masking import bands_above_masking, frame_size

RATE_HZ = 44100
SIZE = frame_size(RATE_HZ)
T = np.arange(SIZE) / RATE_HZ
NOISE, OTHER = np.random.default_rng(5).normal(0, 0.1, (2, SIZE))


def tone(hz: float, level_db: float) -> np.ndarray:
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * T)


def test_noise_20_db_below_noise_is_masked_and_as_loud_noise_is_not() -> None:
    above, bands = bands_above_masking(NOISE, 0.1 * OTHER, RATE_HZ)
    assert (above, bands) == (0, 25)
    assert bands_above_masking(NOISE, 2 * OTHER, RATE_HZ)[0] == bands


def test_a_harmonic_far_above_a_tone_is_not_masked_and_a_close_one_is() -> None:
    """At 40 dB below: 3 kHz beside 500 Hz is 11 critical bands away, 520 Hz in the next one."""
    sound = tone(500, -6) + 1e-2 * NOISE
    assert 1 <= bands_above_masking(sound, tone(3000, -46), RATE_HZ)[0] <= 3
    assert bands_above_masking(sound, tone(520, -46), RATE_HZ)[0] == 0


def test_a_change_of_level_alone_is_no_distortion() -> None:
    sound = tone(997, -6) + 0.1 * NOISE
    assert bands_above_masking(sound, 0.2 * sound, RATE_HZ)[0] == 0


def test_the_frame_lasts_as_long_at_every_rate() -> None:
    assert [frame_size(hz) for hz in (44100, 48000, 96000, 192000)] == [2048, 2048, 4096, 8192]
