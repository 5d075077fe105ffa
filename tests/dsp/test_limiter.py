"""The limiter; true peaks read independently, by soxr at 16 times the rate.

Bounds are the project's own: 0.05 dB over the ceiling, bit for bit under it. The ballistics
were tuned empirically on drum hits.
"""

from __future__ import annotations

import functools
import itertools

import numpy as np
import pytest
import soxr
from excerpts import EXCERPTS, MADE, Excerpt, Samples, music, with_debian_music
from hypothesis import given, settings
from hypothesis import strategies as st
from long_runs import series
from reference_meters import faded_ends, sixteen_times_peak_dbtp

from assembler.dsp.limiter import LOOK_AHEAD_S, _hold, _moving_sum, limit

DRUMS, DENSE, PLUCKED, STRINGS, SPEECH = MADE
CEILING_DBTP = -1.0
OVER_DB = 0.05


def limited(
    samples: Samples, rate_hz: int, ceiling_dbtp: float = CEILING_DBTP
) -> tuple[Samples, np.ndarray]:
    return joined([samples], rate_hz, ceiling_dbtp)


def joined(
    blocks: list[Samples], rate_hz: int, ceiling_dbtp: float = CEILING_DBTP
) -> tuple[Samples, np.ndarray]:
    pieces = list(limit(iter(blocks), rate_hz, ceiling_dbtp))
    for samples, gain_reduction in pieces:
        assert len(samples) == len(gain_reduction)
    channels = blocks[0].shape[1] if blocks else 2
    samples = np.concatenate([np.zeros((0, channels), np.float32), *(s for s, _ in pieces)])
    return samples, np.concatenate([np.zeros(0), *(a for _, a in pieces)])


def raised(samples: Samples, gain_db: float) -> Samples:
    return (samples * np.float32(10 ** (gain_db / 20))).astype(np.float32)


def loud_music(
    excerpt: Excerpt, gain_db: float, length_s: int = series(20, 10)
) -> tuple[Samples, int]:
    samples, rate_hz = music(excerpt)
    return raised(faded_ends(samples[: length_s * rate_hz], rate_hz), gain_db), rate_hz


def stereo(wave: np.ndarray) -> Samples:
    return np.stack([wave, wave], 1).astype(np.float32)


def bursts(rate_hz: int, length: int, seed: int) -> Samples:
    """Noise that exceeds the ceiling here and there, different in each channel."""
    random = np.random.default_rng(seed)
    levels_db = np.repeat(random.uniform(-40, 3, length // 500 + 1), 500)[:length]
    noise = random.normal(0, 0.5, (length, 2)) * 10 ** (levels_db / 20)[:, None]
    return faded_ends(noise, rate_hz, 0.001)


@pytest.mark.parametrize("excerpt", with_debian_music(MADE[::2], EXCERPTS[::3]), ids=str)
def test_sound_under_the_ceiling_passes_bit_for_bit(excerpt: Excerpt) -> None:
    """Just under it: 0.03 dB by the 16-times reading."""
    samples, rate_hz = loud_music(excerpt, 0.0)
    gain_db = CEILING_DBTP - 0.03 - sixteen_times_peak_dbtp(samples, rate_hz)
    near = raised(samples, gain_db)
    passed, gain_reduction = limited(near, rate_hz)
    assert passed.tobytes() == near.tobytes()
    assert not gain_reduction.any()


def test_only_samples_near_a_peak_change() -> None:
    """A single peak: the sound before its look-ahead passes bit for bit."""
    rate_hz = 48000
    samples = stereo(0.3 * np.sin(2 * np.pi * 100 / rate_hz * np.arange(2 * rate_hz)))
    samples[rate_hz] = 2.0
    passed, gain_reduction = limited(samples, rate_hz)
    untouched = rate_hz - round(LOOK_AHEAD_S * rate_hz) - 40  # 40: the peak's own ringing
    assert np.array_equal(passed[:untouched], samples[:untouched])
    assert not gain_reduction[:untouched].any()
    assert gain_reduction[rate_hz] > 6.9


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
@pytest.mark.parametrize("length", [0, 1, 2, 33, 197, 198, 199, 200, 1000, 44101])
def test_same_length_and_finite(rate_hz: int, length: int) -> None:
    for samples in (
        np.zeros((length, 2), np.float32),
        np.full((length, 2), 3.0, np.float32),
        np.random.default_rng(length).normal(0, 2, (length, 1)).astype(np.float32),
    ):
        passed, gain_reduction = limited(samples, rate_hz)
        assert passed.shape == samples.shape
        assert passed.dtype == np.float32
        assert gain_reduction.shape == (length,)
        assert np.isfinite(passed).all()
        assert np.isfinite(gain_reduction).all()
        assert (gain_reduction >= 0).all()
        assert np.abs(passed).max(initial=0.0) <= 10 ** (CEILING_DBTP / 20) * 1.00001


def test_without_blocks_there_are_none() -> None:
    assert list(limit([], 44100, CEILING_DBTP)) == []


def test_silence_stays_silence() -> None:
    passed, gain_reduction = limited(np.zeros((20000, 2), np.float32), 44100)
    assert not passed.any()
    assert not gain_reduction.any()


@pytest.mark.parametrize("gain_db", [10.0, 20.0])
@pytest.mark.parametrize("excerpt", with_debian_music(MADE, EXCERPTS), ids=str)
def test_holds_the_ceiling_on_music(excerpt: Excerpt, gain_db: float) -> None:
    samples, rate_hz = loud_music(excerpt, gain_db)
    passed, gain_reduction = limited(samples, rate_hz)
    assert gain_reduction.max() > (3 if gain_db > 10 else 1)
    peak_dbtp = sixteen_times_peak_dbtp(passed, rate_hz)
    assert CEILING_DBTP - 1.0 < peak_dbtp <= CEILING_DBTP + OVER_DB


@pytest.mark.parametrize("ceiling_dbtp", [-0.1, -3.0, -9.0])
def test_holds_any_ceiling(ceiling_dbtp: float) -> None:
    samples, rate_hz = loud_music(DENSE, 12.0)
    passed, _ = limited(samples, rate_hz, ceiling_dbtp)
    peak_dbtp = sixteen_times_peak_dbtp(passed, rate_hz)
    assert ceiling_dbtp - 1.0 < peak_dbtp <= ceiling_dbtp + OVER_DB


@pytest.mark.thorough
@pytest.mark.parametrize("excerpt", with_debian_music(MADE, EXCERPTS), ids=str)
def test_holds_the_ceiling_on_music_that_was_clipped(excerpt: Excerpt) -> None:
    """Clipped when it was recorded: its spectrum extends to half the rate."""
    samples, rate_hz = loud_music(excerpt, 0.0)
    true_peak_dbtp = sixteen_times_peak_dbtp(samples, rate_hz)
    over_db = {}
    for clipped_db in (3, 6):
        clipped = np.clip(raised(samples, clipped_db - true_peak_dbtp), -1.0, 1.0)
        passed, _ = limited(raised(clipped, 3.0), rate_hz)
        over_db[clipped_db] = sixteen_times_peak_dbtp(passed, rate_hz) - CEILING_DBTP
    assert max(over_db.values()) <= OVER_DB, over_db


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("hz", [41.0, 100.3, 997.0, 3137.0])
def test_holds_the_ceiling_on_square_waves(hz: float, rate_hz: int) -> None:
    """Square waves of their harmonics up to 20 kHz."""
    times = np.arange(rate_hz) / rate_hz
    harmonics = range(1, int(20000 / hz) + 1, 2)
    wave = sum(4 / np.pi / k * np.sin(2 * np.pi * hz * k * times + 0.1 * k) for k in harmonics)
    passed, _ = limited(faded_ends(stereo(2.0 * wave), rate_hz, 0.05), rate_hz)
    peak_dbtp = sixteen_times_peak_dbtp(passed, rate_hz)
    assert CEILING_DBTP - 0.5 < peak_dbtp <= CEILING_DBTP + OVER_DB


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("hz", [41.0, 100.3, 1000.0, 3137.0])
def test_holds_the_ceiling_on_sampled_square_waves(hz: float, rate_hz: int) -> None:
    """Signs of a sine, as a clipped recording has them: the steps fall on samples."""
    wave = np.sign(np.sin(2 * np.pi * hz / rate_hz * np.arange(rate_hz) + 0.1))
    passed, _ = limited(faded_ends(stereo(2.0 * wave), rate_hz, 0.05), rate_hz)
    assert sixteen_times_peak_dbtp(passed, rate_hz) <= CEILING_DBTP + OVER_DB


@pytest.mark.parametrize("rate_hz", [44100, 48000, 88200, 96000, 192000])
@pytest.mark.parametrize("divisor", [4, 6, 8])
def test_holds_the_ceiling_on_tones_between_samples(divisor: int, rate_hz: int) -> None:
    over_db = {}
    for phase_degrees in (0, 20, 45, 60, 67.5):
        turns = 2 * np.pi / divisor * np.arange(rate_hz // 2) + np.deg2rad(phase_degrees)
        samples = faded_ends(stereo(2.0 * np.sin(turns)), rate_hz, 0.05)
        passed, _ = limited(samples, rate_hz)
        over_db[phase_degrees] = sixteen_times_peak_dbtp(passed, rate_hz) - CEILING_DBTP
    assert min(over_db.values()) > -0.05, over_db
    assert max(over_db.values()) <= OVER_DB, over_db


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("gain_db", [0.0, 12.0])
@pytest.mark.parametrize("seed", range(3))
def test_holds_the_ceiling_on_white_noise(seed: int, gain_db: float, rate_hz: int) -> None:
    """Full-scale noise up to half the rate, beyond what any filter in a converter passes."""
    noise = np.random.default_rng(seed).uniform(-1, 1, (2 * rate_hz, 2))
    passed, gain_reduction = limited(raised(faded_ends(noise, rate_hz), gain_db), rate_hz)
    assert gain_reduction.max() > 5
    peak_dbtp = sixteen_times_peak_dbtp(passed, rate_hz)
    assert CEILING_DBTP - 0.1 < peak_dbtp <= CEILING_DBTP + OVER_DB


def test_both_channels_have_the_same_gain() -> None:
    samples, rate_hz = loud_music(DRUMS, 14.0, 8)
    lopsided = samples * np.array([1.0, 0.1], np.float32)
    passed, gain_reduction = limited(lopsided, rate_hz)
    assert gain_reduction.max() > 3
    gain = 10 ** (-gain_reduction / 20)
    for channel in range(2):
        assert np.abs(passed[:, channel] - lopsided[:, channel] * gain).max() < 1e-6
    alone, alone_attenuation = limited(lopsided[:, :1], rate_hz)
    assert np.array_equal(alone_attenuation, gain_reduction)
    assert np.array_equal(alone[:, 0], passed[:, 0])
    swapped, _ = limited(np.ascontiguousarray(lopsided[:, ::-1]), rate_hz)
    assert np.array_equal(swapped[:, ::-1], passed)


@pytest.mark.parametrize("excerpt", with_debian_music(MADE[1::2], EXCERPTS[1::3]), ids=str)
def test_limited_sound_is_unchanged(excerpt: Excerpt) -> None:
    samples, rate_hz = loud_music(excerpt, 15.0)
    once, _ = limited(samples, rate_hz)
    _, again = limited(once, rate_hz)
    assert again.max() < 0.02


@settings(deadline=None, max_examples=40)
@given(
    seed=st.integers(0, 2**32 - 1),
    gain_db=st.floats(0, 24),
    ceiling_dbtp=st.floats(-12, 0),
    rate_hz=st.sampled_from([44100, 96000]),
)
def test_limiting_twice_changes_nothing(
    seed: int, gain_db: float, ceiling_dbtp: float, rate_hz: int
) -> None:
    """Bit for bit at a ceiling 0.01 dB up, and no more than that is taken at the same."""
    once, first = limited(raised(bursts(rate_hz, 20_000, seed), gain_db), rate_hz, ceiling_dbtp)
    again, second = limited(once, rate_hz, ceiling_dbtp + 0.01)
    assert first.max() > 0
    assert again.tobytes() == once.tobytes()
    assert not second.any()
    assert limited(once, rate_hz, ceiling_dbtp)[1].max() < 0.01


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_full_gain_reduction_is_reached_at_the_peak_without_a_step(rate_hz: int) -> None:
    """Three running means of a third of the look-ahead each bend no more than 2 D / third²."""
    samples = stereo(0.05 * np.sin(2 * np.pi * 200 / rate_hz * np.arange(rate_hz)))
    samples[rate_hz // 2] = 4.0
    depth_db = 20 * np.log10(4.0) - CEILING_DBTP
    passed, gain_reduction = limited(samples, rate_hz)
    assert gain_reduction[rate_hz // 2] == pytest.approx(depth_db, abs=0.01)
    assert np.abs(passed[rate_hz // 2]).max() == pytest.approx(10 ** (CEILING_DBTP / 20), abs=1e-3)
    third = LOOK_AHEAD_S * rate_hz / 3
    assert np.abs(np.diff(gain_reduction, 2)).max() <= 2 * depth_db / third**2
    assert np.abs(np.diff(gain_reduction)).max() <= depth_db / third


@pytest.mark.parametrize("excerpt", with_debian_music(MADE[::3], EXCERPTS[::4]), ids=str)
def test_gain_reduction_is_smooth_on_music(excerpt: Excerpt) -> None:
    samples, rate_hz = loud_music(excerpt, 18.0, 10)
    _, gain_reduction = limited(samples, rate_hz)
    third = LOOK_AHEAD_S * rate_hz / 3
    assert np.abs(np.diff(gain_reduction, 2)).max() <= 2 * gain_reduction.max() / third**2


def drum_hit(rate_hz: int, over_db: float) -> tuple[Samples, int]:
    """A decaying low tone in soft music, and the last sample at which it is over the ceiling."""
    times = np.arange(2 * rate_hz) / rate_hz
    bed = 0.1 * np.sin(2 * np.pi * 440 * times)
    struck = np.maximum(times - 0.5, 0.0)
    hit = np.exp(-struck / 0.02) * np.sin(2 * np.pi * 180 * struck)
    hit *= 10 ** ((CEILING_DBTP + over_db) / 20) / np.abs(hit).max()
    samples = stereo(hit + bed)
    over = np.flatnonzero(np.abs(samples[:, 0]) > 10 ** (CEILING_DBTP / 20))
    return samples, int(over[-1])


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("over_db", [3.0, 6.0, 10.0])
def test_recovers_after_a_single_drum_hit(over_db: float, rate_hz: int) -> None:
    """Below 1 dB within 150 ms."""
    samples, last_over = drum_hit(rate_hz, over_db)
    _, gain_reduction = limited(samples, rate_hz)
    assert gain_reduction.max() > over_db - 1
    assert gain_reduction[last_over + round(0.150 * rate_hz) :].max() < 1.0


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("over_db", [3.0, 6.0, 10.0])
def test_gain_of_a_single_drum_hit_has_no_step_and_a_falling_spectrum(
    over_db: float, rate_hz: int
) -> None:
    """Less than -80 dB of the gain's energy is above 1 kHz, -110 dB above 2 kHz: no clicks.

    The first three nulls of the three means' spectrum are 660 Hz apart; the bounds are our own.
    """
    samples, _ = drum_hit(rate_hz, over_db)
    _, gain_reduction = limited(samples, rate_hz)
    gain = 10 ** (-gain_reduction / 20)
    third = LOOK_AHEAD_S * rate_hz / 3
    assert np.abs(np.diff(gain)).max() <= (1 - gain.min()) / third
    power = np.abs(np.fft.rfft((gain - 1) * np.hanning(len(gain)))) ** 2
    hz = np.fft.rfftfreq(len(gain), 1 / rate_hz)
    share_db = {cut: 10 * np.log10(power[hz > cut].sum() / power.sum()) for cut in (1000, 2000)}
    assert share_db[1000] < -80
    assert share_db[2000] < -110


def test_releases_fully_and_passes_bit_for_bit_again() -> None:
    rate_hz = 44100
    times = np.arange(12 * rate_hz) / rate_hz
    samples = stereo(np.where(times < 2, 2.0, 0.5) * np.sin(2 * np.pi * 330 * times))
    passed, gain_reduction = limited(samples, rate_hz)
    assert gain_reduction[rate_hz] > 6
    assert not gain_reduction[-rate_hz:].any()
    assert np.array_equal(passed[-rate_hz:], samples[-rate_hz:])


LENGTH = 12_000


@functools.cache
def split_wave() -> tuple[Samples, Samples, np.ndarray]:
    """Return a wave before and after limiting in one block, and its gain reduction."""
    wave = bursts(44100, LENGTH, 1)
    return wave, *limited(wave, 44100)


def test_the_wave_of_the_split_tests_is_limited() -> None:
    _, _, gain_reduction = split_wave()
    assert gain_reduction.max() > 3
    assert (gain_reduction == 0).any()


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(0, LENGTH), max_size=40))
def test_blocks_of_any_size_are_equal(cuts: list[int]) -> None:
    wave, expected, expected_reduction = split_wave()
    edges = [0, *sorted(cuts), LENGTH]
    blocks = [wave[a:b] for a, b in itertools.pairwise(edges)]
    passed, gain_reduction = joined(blocks, 44100)
    assert passed.tobytes() == expected.tobytes()
    assert gain_reduction.tobytes() == expected_reduction.tobytes()


def test_single_samples_are_equal() -> None:
    wave = split_wave()[0][:3000]
    passed, gain_reduction = joined(list(np.split(wave, 3000)), 44100)
    expected, expected_reduction = limited(wave, 44100)
    assert np.array_equal(passed, expected)
    assert np.array_equal(gain_reduction, expected_reduction)


@settings(deadline=None, max_examples=40)
@given(
    seed=st.integers(0, 2**32 - 1),
    gain_db=st.floats(-6, 24),
    rate_hz=st.sampled_from([44100, 48000, 96000]),
)
def test_holds_the_ceiling_on_any_sound_below_20_khz(
    seed: int, gain_db: float, rate_hz: int
) -> None:
    length = 20_000
    noise = bursts(40_000, length, seed)
    if rate_hz != 40_000:
        noise = soxr.resample(noise, 40_000, rate_hz, quality="VHQ")
    samples = raised(faded_ends(noise, rate_hz), gain_db)
    passed, gain_reduction = limited(samples, rate_hz)
    assert sixteen_times_peak_dbtp(passed, rate_hz) <= CEILING_DBTP + OVER_DB
    lowered = samples * 10 ** (-gain_reduction[:, None] / 20)
    assert np.abs(passed - lowered).max() < 1e-6 * max(1.0, np.abs(samples).max())


@settings(deadline=None, max_examples=60)
@given(values=st.lists(st.integers(0, 9), min_size=1, max_size=60), length=st.integers(1, 20))
def test_hold_and_moving_sum_are_those_of_each_window(values: list[int], length: int) -> None:
    """Against numpy's view of every window, with windows longer and shorter than the block."""
    padded = np.array([*[0] * (length - 1), *values])
    windows = np.lib.stride_tricks.sliding_window_view(padded, length)
    held, sums = np.empty(len(values)), np.empty(len(values), np.int64)
    _hold(padded.astype(np.float64), length, held)
    _moving_sum(np.concatenate([[0], padded]), length, sums)
    assert np.array_equal(held, windows.max(axis=1))
    assert np.array_equal(sums, windows.sum(axis=1))


def hard_left(rate_hz: int) -> Samples:
    """A quiet tone on both sides, and a hit on the left that is 6 dB over."""
    t = np.arange(2 * rate_hz) / rate_hz
    samples = stereo(0.2 * np.sin(2 * np.pi * 300 * t))
    hit = np.sin(2 * np.pi * 900 * t[: rate_hz // 10]) * np.hanning(rate_hz // 10)
    samples[rate_hz // 2 : rate_hz // 2 + len(hit), 0] += (1.78 * hit).astype(np.float32)
    return samples


def at_link(samples: Samples, link: float, rate_hz: int) -> tuple[Samples, np.ndarray]:
    pieces = list(limit([samples], rate_hz, CEILING_DBTP, link))
    return np.concatenate([s for s, _ in pieces]), np.concatenate([g for _, g in pieces])


def test_a_hit_on_the_left_ducks_the_right_as_far_as_they_are_linked() -> None:
    rate_hz, ducked_db = 48000, []
    samples = hard_left(rate_hz)
    for link in (0.0, 0.25, 0.5, 1.0):
        result, gain_reduction = at_link(samples, link, rate_hz)
        assert sixteen_times_peak_dbtp(result, rate_hz) <= CEILING_DBTP + OVER_DB
        assert gain_reduction.max() > 6
        ducked_db.append(
            float(gain_reduction.max(axis=0)[-1]) if link < 1 else gain_reduction.max()
        )
        if link == 0:
            assert result[:, 1].tobytes() == samples[:, 1].tobytes()
    assert ducked_db == pytest.approx(
        [0, ducked_db[3] / 4, ducked_db[3] / 2, ducked_db[3]], abs=0.01
    )


@pytest.mark.parametrize("link", [0.0, 0.3, 0.8])
@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_the_ceiling_holds_at_any_link(link: float, rate_hz: int) -> None:
    loud = bursts(rate_hz, 2 * rate_hz, 7)
    assert sixteen_times_peak_dbtp(loud, rate_hz) > CEILING_DBTP + 6
    result, gain_reduction = at_link(loud, link, rate_hz)
    assert gain_reduction.shape == loud.shape
    assert sixteen_times_peak_dbtp(result, rate_hz) <= CEILING_DBTP + OVER_DB
    quiet = raised(loud, -30)
    assert at_link(quiet, link, rate_hz)[0].tobytes() == quiet.tobytes()


def test_alike_channels_are_limited_alike_at_any_link() -> None:
    loud = stereo(bursts(48000, 48000, 8)[:, 0])
    assert at_link(loud, 0.4, 48000)[0].tobytes() == limited(loud, 48000)[0].tobytes()
