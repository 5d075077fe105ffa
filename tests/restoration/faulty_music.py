"""Provide music, made and real, faults of known size, and meters fed with blocks."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from excerpts import EXCERPTS, MADE, music, with_debian_music
from numpy.typing import NDArray

Samples = NDArray[np.float32]
RATE_HZ = 48000
_REAL = tuple(excerpt for excerpt in EXCERPTS if excerpt.package == "singularity-music")
_PIECES = MADE + _REAL


def pieces(real: range = range(len(_REAL))) -> list[object]:
    """Return the numbers of the pieces for a test: all that are made, and some of Debian's."""
    return with_debian_music(range(len(MADE)), (len(MADE) + number for number in real))


def beside(number: int, step: int) -> int:
    """Return the number of another piece of the same kind, made or real."""
    made = len(MADE)
    if number < made:
        return (number + step) % made
    return made + (number - made + step) % len(_REAL)


def in_blocks(samples: NDArray[Any], length: int = 40_001) -> Iterator[Samples]:
    """Cut an array into blocks."""
    for start in range(0, len(samples), length):
        yield np.ascontiguousarray(samples[start : start + length], dtype=np.float32)


def read(meter: Any, samples: NDArray[Any]) -> Any:
    """Feed a meter and return its reading."""
    for block in in_blocks(samples):
        meter.feed(block)
    return meter.reading()


def joined(blocks: Iterator[Samples]) -> Samples:
    """Return the samples of all blocks."""
    return np.concatenate(list(blocks))


def piece(number: int, length_s: float = 30.0) -> NDArray[np.float64]:
    """Return the beginning of a piece of music at 48 kHz, shape (frames, 2)."""
    samples, rate_hz = music(_PIECES[number])
    assert rate_hz == RATE_HZ
    return samples[: round(length_s * RATE_HZ)].astype(np.float64)


def late(samples: NDArray[np.float64], late_us: float) -> NDArray[np.float64]:
    """Delay one channel exactly, by the phases of one transform of all its samples."""
    size = 1 << (len(samples) + RATE_HZ // 10).bit_length()
    turns = np.exp(-2j * np.pi * np.fft.rfftfreq(size, 1 / RATE_HZ) * late_us * 1e-6)
    return np.fft.irfft(np.fft.rfft(samples, size) * turns, size)[: len(samples)]


def crossed(samples: NDArray[np.float64], crosstalk_db: float) -> NDArray[np.float64]:
    """Add crosstalk between the channels."""
    return samples + 10 ** (crosstalk_db / 20) * samples[:, ::-1]


def hiss(frames: int, rms_dbfs: float, seed: int) -> NDArray[np.float64]:
    """Return white noise, different in each channel."""
    return np.random.default_rng(seed).normal(0, 10 ** (rms_dbfs / 20), (frames, 2))
