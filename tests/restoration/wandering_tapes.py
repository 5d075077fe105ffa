"""Make tapes whose azimuth wanders from undamaged music, and measure what mono loses in the treble.

The right channel is delayed by a course of known values, with splines of the sound at four times
its rate: another method than that of the repair.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from assembler.restoration.analysis.stereo.delay_path import PATH_STEP_S, DelayPathReading

Array = NDArray[np.float64]
Course = Callable[[Array], Array]
"""From the time as a share of the side, and in seconds, to the delay in microseconds."""
_TIMES = 4
_TREBLE_HZ = (8000.0, 14_000.0)
_QUIET_DB = 60.0


def drift(times_s: Array) -> Array:
    """Return 10 µs at the start and 70 µs at the end."""
    return 10 + 60 * times_s / times_s[-1]


def step(times_s: Array) -> Array:
    """Return 20 µs in the first half and 60 µs in the second."""
    return np.where(times_s < times_s[-1] / 2, 20.0, 60.0)


def weave(times_s: Array) -> Array:
    """Return ±25 µs, 0.3 times per second."""
    return 25 * np.sin(2 * np.pi * 0.3 * times_s)


def none(times_s: Array) -> Array:
    """Return no delay."""
    return np.zeros_like(times_s)


COURSES: tuple[Course, ...] = (drift, step, weave)


def tape(samples: NDArray[Any], rate_hz: int, course: Course) -> NDArray[np.float32]:
    """Return the sound with the right channel late by a course."""
    out = samples.astype(np.float64)
    if course is none:
        return out.astype(np.float32)
    places = np.arange(len(out))
    fine = soxr.resample(out[:, 1], rate_hz, _TIMES * rate_hz, quality="VHQ")
    late = places - course(places / rate_hz) * 1e-6 * rate_hz
    out[:, 1] = map_coordinates(fine, [_TIMES * late], order=3, mode="nearest")
    return out.astype(np.float32)


def mono_loss_db(original: NDArray[Any], copy: NDArray[Any], rate_hz: int) -> float:
    """Return how much lower the treble of a copy is in mono: mean of the seconds that have any."""
    own, left = (_treble_powers(sound, rate_hz) for sound in (original, copy))
    heard = own > own.max() * 10 ** (-_QUIET_DB / 10)
    return float(np.mean(10 * np.log10(own[heard] / left[heard])))


def _treble_powers(sound: NDArray[Any], rate_hz: int) -> Array:
    """Return the power of left + right between 8 and 14 kHz in each second."""
    mono = sound.astype(np.float64).sum(axis=1)
    whole = mono[: len(mono) // rate_hz * rate_hz].reshape(-1, rate_hz)
    spectra = np.fft.rfft(whole * np.hanning(rate_hz))
    return (np.abs(spectra[:, int(_TREBLE_HZ[0]) : int(_TREBLE_HZ[1])]) ** 2).sum(axis=1) + 1e-12


def path_error_us(path: DelayPathReading, length_s: float, course: Course) -> float:
    """Return how far a path is from the course of a tape, RMS in µs."""
    times_s = np.arange(0, length_s, 0.05)
    read_us = np.interp(times_s, PATH_STEP_S * np.arange(len(path.delays_us)), path.delays_us)
    return float(np.sqrt(np.mean((read_us - course(times_s)) ** 2)))
