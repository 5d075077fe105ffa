"""The true-peak search skips places that can't hold a peak: compared with a search without skipping
(an identity, no source).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfilt

from assembler.dsp.equaliser import FilterBand, sections
from assembler.dsp.true_peak import AFTER, BEFORE, PeakMeter, interval_peaks, oversampling_factor

RATES_HZ = [44100, 48000, 88200, 96000, 176400, 192000]


def sound(kind: str, seed: int, length: int, rate_hz: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    if kind == "noise":
        return random.normal(0, 0.3, (length, 2)).astype(np.float32)
    if kind == "clicks":
        hits = random.random((length, 2)) < 0.02
        return np.where(hits, random.uniform(-1, 1, (length, 2)), 0.0).astype(np.float32)
    if kind == "tone":
        turns = random.uniform(0.01, 3.0) * np.arange(length) + random.uniform(0, np.pi)
        return np.stack([np.sin(turns), np.cos(turns)], 1).astype(np.float32)
    dull = sections(FilterBand("low_pass", 300.0, slope=24), rate_hz)
    return sosfilt(dull, random.normal(0, 3, (length, 2)), axis=0).astype(np.float32)


@settings(deadline=None, max_examples=300)
@given(
    kind=st.sampled_from(["noise", "clicks", "tone", "dull"]),
    seed=st.integers(0, 2**32 - 1),
    length=st.integers(1, 1500),
    rate_hz=st.sampled_from(RATES_HZ),
    share=st.floats(0.3, 1.2),
)
def test_nothing_above_the_floor_is_skipped(
    kind: str, seed: int, length: int, rate_hz: int, share: float
) -> None:
    padded = np.pad(sound(kind, seed, length, rate_hz), ((BEFORE, AFTER), (0, 0)))
    every = interval_peaks(padded, rate_hz, 0.0)
    assert len(every) == length
    floor = np.float32(share * every.max())
    found = interval_peaks(padded, rate_hz, float(floor))
    sure = np.abs(every - floor) > 1e-6 * floor  # nearer, rounding decides
    assert np.array_equal(found[sure], np.where(every > floor, every, 0.0)[sure])


@settings(deadline=None, max_examples=150)
@given(
    kind=st.sampled_from(["noise", "clicks", "tone", "dull"]),
    seed=st.integers(0, 2**32 - 1),
    cut=st.integers(0, 2000),
    rate_hz=st.sampled_from(RATES_HZ),
)
def test_the_meter_finds_the_highest(kind: str, seed: int, cut: int, rate_hz: int) -> None:
    samples = sound(kind, seed, 2000, rate_hz)
    every = interval_peaks(np.pad(samples, ((BEFORE, AFTER), (0, 0))), rate_hz, 0.0)
    meter = PeakMeter(rate_hz, 2)
    meter.feed(samples[:cut])
    meter.feed(samples[cut:])
    meter.finish()
    assert meter.true_peak == max(every.max(), np.abs(samples).max())


@pytest.mark.parametrize("rate_hz", [8000, 11025, 22050, 32000, *RATES_HZ])
def test_oversampling_reaches_what_the_standard_requires(rate_hz: int) -> None:
    """BS.1770-5, Annex 2: 4 times at 48 kHz, less where the rate is higher."""
    factor = oversampling_factor(rate_hz)
    assert factor * rate_hz >= 4 * 44100
    assert factor >= 2


@pytest.mark.parametrize("seed", range(24))
def test_noise_is_not_higher_than_its_wave(seed: int) -> None:
    """Compared with an exact interpolation of a periodic wave: its spectrum with zeros added.

    A sine through three points that no sine of this band joins once read 16 dB too much here. The
    noise reaches up to half the rate, where the meter's filter has ended: hence the room below.
    """
    length, factor = 1 << 17, 16
    samples = np.random.default_rng(seed).normal(0, 0.05, length)
    wave = np.fft.irfft(np.fft.rfft(samples) * factor, length * factor)
    meter = PeakMeter(44100, 1)
    meter.feed(np.tile(samples, 3)[length // 2 : -length // 2].astype(np.float32)[:, None])
    meter.finish()
    assert -1 < 20 * np.log10(meter.true_peak / np.abs(wave).max()) < 0.5
