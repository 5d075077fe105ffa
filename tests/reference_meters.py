"""Meters from outside the project, on arrays."""

from __future__ import annotations

import ctypes
import functools
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import outside
import soxr
from made_music import Samples
from numpy.typing import NDArray


def faded_ends(samples: NDArray[np.floating], rate_hz: int, length_s: float = 0.01) -> Samples:
    """Fade both ends by a raised cosine, so that a cut adds no peak."""
    length = round(length_s * rate_hz)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(length) / length)
    faded = samples.astype(np.float64)
    faded[:length] *= rise[:, None]
    faded[-length:] *= rise[::-1, None]
    return faded.astype(np.float32)


def sixteen_times_peak_dbtp(samples: Samples, rate_hz: int) -> float:
    """Read the true peak from soxr's 16-times oversampling, in double precision."""
    wave = soxr.resample(samples.astype(np.float64), rate_hz, 16 * rate_hz, quality="VHQ")
    return float(20 * np.log10(np.abs(wave).max()))


class Libebur128Reading(NamedTuple):
    """The readings of libebur128, and its short-term loudness for every 100 ms."""

    integrated_lufs: float
    max_momentary_lufs: float
    max_short_term_lufs: float
    true_peak_dbtp: float
    sample_peak_dbfs: float
    short_term_lufs: NDArray[np.float64]


_MODES = 0b111111  # momentary, short-term, integrated, range, sample peak, true peak


@functools.cache
def _libebur128() -> ctypes.CDLL:
    library = outside.library("libebur128.so.1", "libebur128-1")
    number, figure = ctypes.c_uint, ctypes.POINTER(ctypes.c_double)
    state = ctypes.c_void_p
    library.ebur128_init.restype = state
    library.ebur128_init.argtypes = [number, ctypes.c_ulong, ctypes.c_int]
    library.ebur128_destroy.argtypes = [ctypes.POINTER(state)]
    library.ebur128_add_frames_float.argtypes = [state, ctypes.c_void_p, ctypes.c_size_t]
    for name in ("loudness_global", "loudness_momentary", "loudness_shortterm"):
        getattr(library, f"ebur128_{name}").argtypes = [state, figure]
    for name in ("true_peak", "sample_peak"):
        getattr(library, f"ebur128_{name}").argtypes = [state, number, figure]
    return library


def libebur128_reading(samples: Samples, rate_hz: int) -> Libebur128Reading:
    """Measure with libebur128, read every 10 ms."""
    library = _libebur128()
    channels = samples.shape[1]
    state = ctypes.c_void_p(library.ebur128_init(channels, rate_hz, _MODES))
    assert state.value

    def figure(name: str, *channel: int) -> float:
        value = ctypes.c_double()
        assert getattr(library, f"ebur128_{name}")(state, *channel, ctypes.byref(value)) == 0
        return value.value

    momentary, short_term = [], []
    edges = [hop * rate_hz // 100 for hop in range(len(samples) * 100 // rate_hz + 1)]
    for start, end in pairwise(edges):
        piece = np.ascontiguousarray(samples[start:end], np.float32)
        assert library.ebur128_add_frames_float(state, piece.ctypes.data, len(piece)) == 0
        momentary.append(figure("loudness_momentary"))
        short_term.append(figure("loudness_shortterm"))
    rest = np.ascontiguousarray(samples[edges[-1] :], np.float32)
    assert library.ebur128_add_frames_float(state, rest.ctypes.data, len(rest)) == 0
    peaks = [
        20 * np.log10(max(figure(name, channel) for channel in range(channels)))
        for name in ("true_peak", "sample_peak")
    ]
    reading = Libebur128Reading(
        integrated_lufs=figure("loudness_global"),
        max_momentary_lufs=max(momentary),
        max_short_term_lufs=max(short_term),
        true_peak_dbtp=peaks[0],
        sample_peak_dbfs=peaks[1],
        short_term_lufs=np.array(short_term[299::10]),
    )
    library.ebur128_destroy(ctypes.byref(state))
    return reading
