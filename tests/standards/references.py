"""Excerpts of music, synthetic and real, and independent meters on arrays."""

from __future__ import annotations

import ctypes
import functools
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
import outside
import pytest
import soundfile
import soxr
from made_music import KINDS, made_music
from numpy.typing import NDArray
from outside import MUSIC_FOLDERS, absent

Samples = NDArray[np.float32]


class Excerpt(NamedTuple):
    """An excerpt of a freely licensed piece from a Debian package, or one made by code."""

    package: str | None
    file: str
    start_s: int
    length_s: int

    def __str__(self) -> str:
        return Path(self.file).stem.replace(" ", "-").lower()


MADE = tuple(Excerpt(None, kind, 0, 30) for kind in KINDS)
"""On any machine, at 48 kHz."""
EXCERPTS = (
    Excerpt("singularity-music", "A New Journey.ogg", 130, 30),
    Excerpt("singularity-music", "Aberrations.ogg", 123, 40),
    Excerpt("singularity-music", "Advanced Simulacra.ogg", 128, 40),
    Excerpt("singularity-music", "Coherence.ogg", 91, 40),
    Excerpt("singularity-music", "Deprecation.ogg", 110, 30),
    Excerpt("singularity-music", "Enemy Unknown.ogg", 104, 40),
    Excerpt("singularity-music", "Media Threat.ogg", 139, 30),
    Excerpt("singularity-music", "Nebula.ogg", 0, 60),
    Excerpt("singularity-music", "lose/Chimes They Fade.ogg", 0, 42),
    Excerpt("singularity-music", "lose/March Thee to Dis.ogg", 0, 42),
    Excerpt("singularity-music", "win/Apex Aleph.ogg", 41, 40),
    Excerpt("asc-music", "frontiers.mp3", 176, 30),
    Excerpt("asc-music", "machine_wars.mp3", 116, 30),
)
"""Quiet and loud, electronic and orchestral; at 48 kHz, the last two at 22.05 kHz."""


def with_debian_music(made: Iterable[object], real: Iterable[object]) -> list[object]:
    """Return parameters of a test: those on any machine, and those that need Debian's music."""
    return [*made, *(pytest.param(one, marks=pytest.mark.debian_music) for one in real)]


@functools.cache
def music(excerpt: Excerpt) -> tuple[Samples, int]:
    """Make or decode an excerpt once a session; return its samples, shape (frames, 2), and rate."""
    if excerpt.package is None:
        return made_music(excerpt.file, excerpt.length_s), 48000
    path = MUSIC_FOLDERS[excerpt.package] / excerpt.file
    if not path.is_file():
        absent(f"`{excerpt.file}`", excerpt.package)
    rate_hz = soundfile.info(path).samplerate
    samples, _ = soundfile.read(
        path,
        start=excerpt.start_s * rate_hz,
        frames=excerpt.length_s * rate_hz,
        dtype="float32",
        always_2d=True,
    )
    assert samples.shape == (excerpt.length_s * rate_hz, 2)
    samples.setflags(write=False)
    return samples, rate_hz


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
