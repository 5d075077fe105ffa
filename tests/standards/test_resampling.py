"""Rate conversion: pass band and aliases of single tones, measured by a least-squares fit (bounds:
common practice, no source), and sections of a recording against soxr's conversion of the whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
import soxr

from assembler.dsp.resample import (
    BEYOND_S,
    position_at,
    resample,
    section_at,
    settled_start,
)

PAIRS_HZ = [
    (96000, 44100),
    (48000, 44100),
    (88200, 48000),
    (192000, 44100),
    (44100, 48000),
    (44100, 96000),
    (88200, 44100),
    (32000, 44100),
]


def tone(hz: float, rate_hz: int, length_s: float = 1.0) -> np.ndarray:
    wave = np.sin(2 * np.pi * hz / rate_hz * np.arange(round(length_s * rate_hz)))
    return np.stack([wave, wave], 1).astype(np.float32)


def converted_middle(samples: np.ndarray, from_hz: int, to_hz: int) -> np.ndarray:
    """The first channel at the other rate, without the filter's run-in and run-out."""
    wave = np.concatenate(list(resample([samples], from_hz, to_hz)))[:, 0].astype(np.float64)
    return wave[to_hz // 5 : -to_hz // 5]


def fitted(wave: np.ndarray, hz: float, rate_hz: int) -> tuple[float, np.ndarray]:
    """Amplitude of a tone in a wave, and the rest of the wave."""
    angle = 2 * np.pi * hz / rate_hz * np.arange(len(wave))
    columns = np.stack([np.cos(angle), np.sin(angle)], 1)
    parts, *_ = np.linalg.lstsq(columns, wave, rcond=None)
    return float(np.hypot(*parts)), wave - columns @ parts


def rms_db(wave: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(wave**2) + 1e-300))


@pytest.mark.parametrize("hz", [20, 100, 1000, 5000, 10000, 15000, 18000, 19000, 20000])
def test_pass_band_is_flat_to_20_khz(hz: float) -> None:
    amplitude, rest = fitted(converted_middle(tone(hz, 96000), 96000, 44100), hz, 44100)
    assert 20 * np.log10(amplitude) == pytest.approx(0.0, abs=0.01)
    assert rms_db(rest) - rms_db(tone(hz, 96000)) < -120


@pytest.mark.parametrize("hz", [24100, 25000, 30000, 36000, 43100, 44100, 47000])
def test_there_are_no_aliases_below_20_khz(hz: float) -> None:
    """A tone at 24.1 kHz or above would alias to 20 kHz or below, or near it.

    Full-scale tones leave -150 dB or less in single precision; the bound is -120.
    """
    left = converted_middle(tone(hz, 96000), 96000, 44100)
    assert rms_db(left) - rms_db(tone(hz, 96000)) < -120


@pytest.mark.parametrize("hz", [1000, 10000, 20000])
def test_there_are_no_images(hz: float) -> None:
    amplitude, rest = fitted(converted_middle(tone(hz, 44100), 44100, 96000), hz, 96000)
    assert 20 * np.log10(amplitude) == pytest.approx(0.0, abs=0.01)
    assert rms_db(rest) - rms_db(tone(hz, 44100)) < -120


def test_at_the_same_rate_sound_is_unchanged() -> None:
    blocks = [tone(1000, 44100), tone(500, 44100)]
    assert all(a is b for a, b in zip(resample(blocks, 44100, 44100), blocks, strict=True))


def blocks_of(recording: np.ndarray, start: int, end: int) -> Iterator[np.ndarray]:
    for place in range(start, min(end, len(recording)), 4096):
        yield recording[place : min(place + 4096, end)]


def section(recording: np.ndarray, start: int, end: int, from_hz: int, to_hz: int) -> np.ndarray:
    """A section as the build reads it: from `settled_start` to a little after the end."""
    read_from = settled_start(start, from_hz, to_hz)
    blocks = blocks_of(recording, read_from, end + round(BEYOND_S * from_hz))
    pieces = list(section_at(blocks, read_from, start, end, from_hz, to_hz))
    return np.concatenate([np.zeros((0, 2), np.float32), *pieces])


def recording_at(rate_hz: int, length: int) -> np.ndarray:
    """Full-band noise over a strong low tone: any edge would show."""
    noise = np.random.default_rng(rate_hz).normal(0, 0.1, (length, 2))
    bass = 0.5 * np.sin(2 * np.pi * 41 / rate_hz * np.arange(length))
    return (noise + bass[:, None]).astype(np.float32)


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS_HZ)
def test_consecutive_sections_are_the_whole(from_hz: int, to_hz: int) -> None:
    recording = recording_at(from_hz, 5 * from_hz + 1234)
    end = len(recording)
    whole = section(recording, 0, end, from_hz, to_hz)
    at_once = soxr.resample(recording, from_hz, to_hz, quality="VHQ")
    common = min(len(whole), len(at_once))
    assert len(whole) == position_at(end, from_hz, to_hz)
    assert common >= len(whole) - 1
    assert np.abs(whole[:common] - at_once[:common]).max() < 1e-5
    random = np.random.default_rng(to_hz)
    for _ in range(3):
        inner = sorted(int(cut) for cut in random.integers(1, end, 3))
        cuts = [0, *inner, end]
        parts = [section(recording, a, b, from_hz, to_hz) for a, b in pairwise(cuts)]
        joined = np.concatenate(parts)
        assert len(joined) == len(whole)
        assert np.abs(joined - whole).max() < 1e-5


@pytest.mark.parametrize(("from_hz", "to_hz"), [*PAIRS_HZ, (44100, 44100)])
def test_places_of_sections(from_hz: int, to_hz: int) -> None:
    for sample in [0, 1, 2, 146, 147, 148, 160, from_hz - 1, from_hz, from_hz + 1, 10**7 + 1]:
        place = position_at(sample, from_hz, to_hz)
        assert (place - 1) * from_hz < sample * to_hz <= place * from_hz
        start = settled_start(sample, from_hz, to_hz)
        assert start * to_hz % from_hz == 0
        assert start == 0 or 0.9 * from_hz <= sample - start <= 1.1 * from_hz
        assert 0 <= start <= sample


def test_section_at_one_rate_is_a_cut() -> None:
    recording = recording_at(44100, 3 * 44100)
    cut = section(recording, 50_001, 100_003, 44100, 44100)
    assert np.array_equal(cut, recording[50_001:100_003])
