"""ITU-R BS.1770-5: filter coefficients, channel weights and the 997 Hz reading as published, gates
worked out again here in the plainest way; readings at other rates also against libebur128.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from reference_meters import faded_ends, libebur128_reading
from scipy.signal import lfilter

from assembler.dsp.loudness import k_weighting
from assembler.dsp.meter import read_meter

SHELF_B = [1.53512485958697, -2.69169618940638, 1.19839281085285]
SHELF_A = [1.0, -1.69065929318241, 0.73248077421585]
HIGH_PASS_B = [1.0, -2.0, 1.0]
HIGH_PASS_A = [1.0, -1.99004745483398, 0.99007225036621]

RATES_HZ = [22050, 44100, 48000, 88200, 96000, 176400, 192000]


def full_scale_tone(rate_hz: int, length_s: float = 10.0) -> np.ndarray:
    return np.sin(2 * np.pi * 997 / rate_hz * np.arange(round(length_s * rate_hz)))


def tone_in(channel: int, channels: int, rate_hz: int, peak_dbfs: float = 0.0) -> np.ndarray:
    wave = full_scale_tone(rate_hz)
    samples = np.zeros((len(wave), channels), np.float32)
    samples[:, channel] = 10 ** (peak_dbfs / 20) * wave
    return samples


def integrated_by_the_book(samples: np.ndarray) -> float:
    """Integrated loudness at 48 kHz, block by block as in Annex 1."""
    weighted = lfilter(HIGH_PASS_B, HIGH_PASS_A, lfilter(SHELF_B, SHELF_A, samples, axis=0), axis=0)
    starts = range(0, len(samples) - 19200 + 1, 4800)
    energies = np.array([np.mean(weighted[s : s + 19200] ** 2, axis=0).sum() for s in starts])
    loudness = -0.691 + 10 * np.log10(energies)
    kept = energies[loudness > -70]
    relative_gate = -0.691 + 10 * np.log10(kept.mean()) - 10
    kept = energies[(loudness > -70) & (loudness > relative_gate)]
    return float(-0.691 + 10 * np.log10(kept.mean()))


def test_k_weighting_is_the_published_one_at_48_khz() -> None:
    published = [SHELF_B + SHELF_A[1:], HIGH_PASS_B + HIGH_PASS_A[1:]]
    assert np.abs(k_weighting(48000) - published).max() < 1e-6


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("channel", [0, 1])
def test_997_hz_in_one_channel(rate_hz: int, channel: int) -> None:
    """The standard's filters are for 48 kHz; at other rates the meter is calibrated at 997 Hz."""
    reading = read_meter([tone_in(channel, 2, rate_hz)], rate_hz)
    assert reading.integrated_lufs == pytest.approx(-3.01, abs=0.01)


@pytest.mark.wants("libebur128.so.1")
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_re_derived_filters_equal_libebur128s_except_for_a_gain(rate_hz: int) -> None:
    """libebur128 doesn't calibrate: its tone reads -2.98 at 22.05 kHz and -3.04 at 192 kHz."""
    noise = np.random.default_rng(1770).normal(0, 0.05, (4 * rate_hz, 2)).astype(np.float32)
    of_tone, of_noise = (
        read_meter([samples], rate_hz).integrated_lufs
        - libebur128_reading(samples, rate_hz).integrated_lufs
        for samples in (tone_in(0, 2, rate_hz), noise)
    )
    assert of_noise == pytest.approx(of_tone, abs=0.002)
    assert abs(of_tone) < (0.005 if rate_hz in (44100, 48000) else 0.03)


@pytest.mark.parametrize(("channel", "gain_lu"), [(0, 0), (1, 0), (2, 0), (3, 1.492), (4, 1.492)])
def test_surround_channels_weigh_1_41(channel: int, gain_lu: float) -> None:
    reading = read_meter([tone_in(channel, 5, 48000, -20)], 48000, 5)
    assert reading.integrated_lufs == pytest.approx(-23.01 + gain_lu, abs=0.01)


def test_mono_is_one_channel() -> None:
    reading = read_meter([tone_in(0, 1, 48000)], 48000, 1)
    assert reading.integrated_lufs == pytest.approx(-3.01, abs=0.01)


@pytest.mark.parametrize("channels", [3, 4, 6])
def test_other_channel_counts_are_refused(channels: int) -> None:
    with pytest.raises(ValueError, match=str(channels)):
        read_meter([np.zeros((48000, channels), np.float32)], 48000, channels)


def test_the_absolute_gate_is_at_minus_70() -> None:
    above = read_meter([tone_in(0, 2, 48000, -66.9)], 48000)
    below = read_meter([tone_in(0, 2, 48000, -67.1)], 48000)
    assert above.integrated_lufs == pytest.approx(-69.91, abs=0.01)
    assert below.integrated_lufs is None


@pytest.mark.parametrize("seed", range(4))
def test_gated_programme_as_in_the_standard(seed: int) -> None:
    """Noise whose level varies from silence to loud, across both gates."""
    random = np.random.default_rng(seed)
    levels_db = np.repeat(random.uniform(-85, -10, 40), 24000)[:, None]
    samples = random.normal(0, 1, (len(levels_db), 2)) * 10 ** (levels_db / 20)
    samples = np.clip(samples, -1, 1).astype(np.float32)
    expected = integrated_by_the_book(samples.astype(np.float64))
    assert read_meter([samples], 48000).integrated_lufs == pytest.approx(expected, abs=0.001)


def true_peaks_of_tones(rate_hz: int, ratios: list[float]) -> list[float]:
    """True peaks of full-scale tones at fractions of the rate, four phases each."""
    random = np.random.default_rng(rate_hz)
    turns = 2 * np.pi * np.arange(rate_hz // 5)
    peaks: list[Any] = []
    for ratio in ratios:
        for phase in random.uniform(0, np.pi, 4):
            wave = np.sin(ratio * turns + phase).astype(np.float32)
            samples = faded_ends(wave[:, None], rate_hz, 0.05)
            peaks.append(read_meter([samples], rate_hz, 1).true_peak_dbtp)
    return peaks


RATIOS = [*np.linspace(0.01, 0.45, 30), 1 / 3, 1 / 4, 1 / 5, 1 / 6, 1 / 8, 2 / 5, 3 / 7]


@pytest.mark.parametrize("rate_hz", [44100, 48000, 88200, 96000, 192000])
def test_true_peak_of_audible_tones(rate_hz: int) -> None:
    """A 4-times meter may read 0.55 dB low at 0.45 of the rate (Annex 2, attachment)."""
    audible = [ratio for ratio in RATIOS if ratio * rate_hz <= 20000]
    peaks = true_peaks_of_tones(rate_hz, audible)
    assert min(peaks) > -0.03
    assert max(peaks) < 0.03


@pytest.mark.parametrize("rate_hz", [48000, 88200, 96000, 192000])
def test_true_peak_of_tones_above_hearing(rate_hz: int) -> None:
    """Twice 88.2 kHz or more is what the standard requires; 0.21 dB low is measured there."""
    above = [ratio for ratio in RATIOS if ratio * rate_hz > 20000]
    peaks = true_peaks_of_tones(rate_hz, above)
    assert min(peaks) > -0.25
    assert max(peaks) < 0.03
