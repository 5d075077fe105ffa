"""EBU Tech 3341 (2023), minimum test signals: signals and readings from memory, in line with the
tables of two independent public implementations; programmes 7 and 8 are not public.
"""

from __future__ import annotations

import numpy as np
import pytest
import soxr
from reference_meters import faded_ends, sixteen_times_peak_dbtp
from standards.ebu_signals import RATE_HZ, in_both, stereo_tone, tone

from assembler.dsp.loudness import EnergyMeter, Loudness
from assembler.dsp.meter import Reading, read_meter


def reading_of(samples: np.ndarray) -> Reading:
    return read_meter([samples], RATE_HZ, samples.shape[1])


def loudness_of(*stretches: np.ndarray) -> Loudness:
    meter = EnergyMeter(RATE_HZ, 2)
    for stretch in stretches:
        meter.feed(stretch)
    return meter.loudness()


def short_term_lufs(samples: np.ndarray) -> list[float]:
    """What a live meter shows for each 100 ms, from 3 s on: the reading of the last 3 s."""
    ends = range(3 * RATE_HZ, len(samples) + 1, RATE_HZ // 10)
    return [loudness_of(samples[end - 3 * RATE_HZ : end]).max_short_term_lufs for end in ends]


def momentary_lufs(samples: np.ndarray) -> list[float]:
    """What a live meter shows for each 10 ms, from 1 s on: the reading of the last 400 ms."""
    window = RATE_HZ * 4 // 10
    ends = range(RATE_HZ, len(samples) + 1, RATE_HZ // 100)
    return [loudness_of(samples[end - window : end]).max_momentary_lufs for end in ends]


@pytest.mark.parametrize(("case", "level"), [(1, -23.0), (2, -33.0)])
def test_steady_tone_reads_the_same_on_every_scale(case: int, level: float) -> None:
    samples = stereo_tone((20, level))
    reading = reading_of(samples)
    assert reading.integrated_lufs == pytest.approx(level, abs=0.1), case
    assert reading.max_short_term_lufs == pytest.approx(level, abs=0.1)
    assert reading.max_momentary_lufs == pytest.approx(level, abs=0.1)
    assert min(short_term_lufs(samples)) == pytest.approx(level, abs=0.1)
    assert min(momentary_lufs(samples[: 3 * RATE_HZ])) == pytest.approx(level, abs=0.1)


@pytest.mark.parametrize(
    ("case", "segments"),
    [
        (3, [(10, -36), (60, -23), (10, -36)]),
        (4, [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)]),
        (5, [(20, -26), (20.1, -20), (20, -26)]),
    ],
)
def test_gates_leave_the_programme(case: int, segments: list[tuple[float, float]]) -> None:
    integrated_lufs = reading_of(stereo_tone(*segments)).integrated_lufs
    assert integrated_lufs == pytest.approx(-23.0, abs=0.1), case


def test_case_6_five_channels() -> None:
    levels = (-28, -28, -24, -30, -30)  # L, R, C, Ls, Rs
    samples = np.stack([tone([(20, level)]) for level in levels], 1).astype(np.float32)
    assert reading_of(samples).integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_case_9_short_term_is_constant_from_3_s_on() -> None:
    samples = stereo_tone(*[(1.34, -20), (1.66, -30)] * 5)
    shown = short_term_lufs(samples)
    assert min(shown) == pytest.approx(-23.0, abs=0.1)
    assert max(shown) == pytest.approx(-23.0, abs=0.1)
    assert reading_of(samples).max_short_term_lufs == pytest.approx(-23.0, abs=0.1)


def test_case_10_short_term_of_3_s_at_any_start() -> None:
    shown = [
        reading_of(stereo_tone((0.15 * i, None), (3, -23), (1, None))).max_short_term_lufs
        for i in range(20)
    ]
    assert shown == pytest.approx([-23.0] * 20, abs=0.1)


def test_case_11_short_term_of_rising_tones() -> None:
    meter, shown = EnergyMeter(RATE_HZ, 2), []
    for i in range(20):
        meter.feed(stereo_tone((0.15 * i, None), (3, -38 + i), (3 - 0.15 * i, None)))
        shown.append(meter.loudness().max_short_term_lufs)
    assert shown == pytest.approx(list(range(-38, -18)), abs=0.1)


def test_case_12_momentary_is_constant_from_1_s_on() -> None:
    samples = stereo_tone(*[(0.18, -20), (0.22, -30)] * 25)
    shown = momentary_lufs(samples)
    assert min(shown) == pytest.approx(-23.0, abs=0.1)
    assert max(shown) == pytest.approx(-23.0, abs=0.1)
    assert reading_of(samples).max_momentary_lufs == pytest.approx(-23.0, abs=0.1)


def test_case_13_momentary_of_400_ms_at_any_start() -> None:
    shown = [
        reading_of(stereo_tone((0.02 * i, None), (0.4, -23), (1, None))).max_momentary_lufs
        for i in range(20)
    ]
    assert shown == pytest.approx([-23.0] * 20, abs=0.1)


def test_case_14_momentary_of_rising_tones() -> None:
    meter, shown = EnergyMeter(RATE_HZ, 2), []
    for i in range(20):
        meter.feed(stereo_tone((0.02 * i, None), (0.4, -38 + i), (0.4 - 0.02 * i, None)))
        shown.append(meter.loudness().max_momentary_lufs)
    assert shown == pytest.approx(list(range(-38, -18)), abs=0.1)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
@pytest.mark.parametrize(
    ("case", "divisor", "phase_degrees", "amplitude", "reads"),
    [
        (15, 4, 0, 0.50, -6.0),
        (16, 4, 45, 0.50, -6.0),
        (17, 6, 60, 0.50, -6.0),
        (18, 8, 67.5, 0.50, -6.0),
        (19, 4, 45, 1.41, 3.0),
    ],
)
def test_true_peak_between_samples(
    case: int, divisor: int, phase_degrees: float, amplitude: float, reads: float, rate_hz: int
) -> None:
    """The standard requires it at 48 kHz."""
    angle = 2 * np.pi / divisor * np.arange(rate_hz) + np.deg2rad(phase_degrees)
    samples = faded_ends(in_both(amplitude * np.sin(angle)), rate_hz)
    true_peak_dbtp = read_meter([samples], rate_hz).true_peak_dbtp
    assert reads - 0.4 <= true_peak_dbtp <= reads + 0.2, case


@pytest.mark.parametrize(("case", "offset"), [(20, 0), (21, 1), (22, 2), (23, 3)])
def test_true_peak_of_one_period_at_each_offset(case: int, offset: int) -> None:
    """A loud period of fs/6 in a quiet fs/4 tone, made at 4 fs and decimated at four offsets.

    Only the idea of the signals is from memory; the peak is brought to 0 dBTP by a 16-times
    reading of the wave at 4 fs, before it is decimated.
    """
    places = np.arange(-4000, 4000)
    quiet = 0.2 * np.cos(2 * np.pi / 16 * places)
    loud = np.where(np.abs(places) <= 12, np.cos(2 * np.pi / 24 * places), 0.0)
    wave = faded_ends(in_both(quiet + loud), 4 * RATE_HZ)
    # There and back over fs: the rest is below fs/2, where decimation loses nothing.
    limited = soxr.resample(wave.astype(np.float64), 4 * RATE_HZ, 0.9 * RATE_HZ, quality="VHQ")
    made = soxr.resample(limited, 0.9 * RATE_HZ, 4 * RATE_HZ, quality="VHQ").astype(np.float32)
    made /= np.float32(10 ** (sixteen_times_peak_dbtp(made, 4 * RATE_HZ) / 20))
    reading = reading_of(made[offset::4])
    assert -0.4 <= reading.true_peak_dbtp <= 0.2, case
