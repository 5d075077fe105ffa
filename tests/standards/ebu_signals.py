"""Test tones as EBU Tech 3341 and 3342 describe them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48000


def tone(
    segments: Sequence[tuple[float, float | None]], rate_hz: int = RATE_HZ
) -> NDArray[np.float64]:
    """Return a 1 kHz sine through segments of different level.

    Parameters
    ----------
    segments
        Length in seconds and peak level in dBFS of each; None for silence.
    """
    levels = [
        np.full(round(length_s * rate_hz), 0.0 if level is None else 10 ** (level / 20))
        for length_s, level in segments
    ]
    amplitude = np.concatenate(levels)
    return amplitude * np.sin(2 * np.pi * 1000 / rate_hz * np.arange(len(amplitude)))


def in_both(wave: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return a mono wave in phase in two channels."""
    return np.stack([wave, wave], axis=1).astype(np.float32)


def stereo_tone(*segments: tuple[float, float | None]) -> NDArray[np.float32]:
    """Return a tone in phase in both channels."""
    return in_both(tone(segments))
