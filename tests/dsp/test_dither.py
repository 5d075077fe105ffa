"""Quantisation, plain and noise-shaped: PCM in range, from blocks of any size, and its noise.

The bounds follow from the method (Lipshitz, Vanderkooy, Wannamaker, J. Audio Eng. Soc. 39, 1991);
the PCM of plain TPDF is computed independently with numpy's generator.
"""

from __future__ import annotations

import functools
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import welch

from assembler.dsp.dither import FEEDBACK, SILENCE_S, Dither, Quantizer

LSB = 2.0**-15
KINDS: list[Dither] = ["tpdf", "shaped", "none"]
SHAPED_RATES_HZ = [44_100, 48_000]
HOLD = round(SILENCE_S * 44_100)


def noise_filter(rate_hz: int) -> np.ndarray:
    """Taps of the filter that the total error has passed."""
    return np.array([1.0, *FEEDBACK[rate_hz]])


def music_like(length: int, seed: int) -> np.ndarray:
    """Stereo noise of changing level, with stretches of digital silence, long and short."""
    random = np.random.default_rng(seed)
    stretch = np.repeat(random.integers(0, 4, length // 1500 + 1), 1500)[:length]
    levels = np.array([0.0, 0.0, 1e-4, 0.4])[stretch]
    sound = (random.normal(0, 1, (length, 2)) * levels[:, None]).astype(np.float32)
    sound[random.integers(0, length, 3)] = 0.0
    return sound


LENGTH = 20_000
SOUND = music_like(LENGTH, 2)


@functools.cache
def whole(kind: Dither) -> np.ndarray:
    """Return the PCM of the sound, quantised in one block."""
    return Quantizer(16, 5, dither=kind).quantize(SOUND)


@pytest.mark.parametrize("kind", KINDS)
@settings(deadline=None, max_examples=50)
@given(cuts=st.lists(st.integers(0, LENGTH), max_size=30))
def test_blocks_of_any_size_are_equal(kind: Dither, cuts: list[int]) -> None:
    quantizer = Quantizer(16, 5, dither=kind)
    edges = [0, *sorted(cuts), LENGTH]
    pieces = [quantizer.quantize(SOUND[a:b]) for a, b in itertools.pairwise(edges)]
    assert np.array_equal(np.concatenate(pieces), whole(kind))


@pytest.mark.parametrize("kind", KINDS)
def test_single_samples_are_equal(kind: Dither) -> None:
    quantizer = Quantizer(16, 5, dither=kind)
    pieces = [quantizer.quantize(SOUND[i : i + 1]) for i in range(9000)]
    assert np.array_equal(np.concatenate(pieces), whole(kind)[:9000])


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize(("channels", "same"), [(1, False), (2, False), (2, True), (5, False)])
def test_tpdf_is_the_difference_of_two_draws_of_numpy(bits: int, channels: int, same: bool) -> None:
    samples = np.random.default_rng(3).normal(0, 0.3, (9001, channels)).astype(np.float32)
    draws = np.random.Generator(np.random.SFC64(77)).random(
        (9001, 2, 1 if same else channels), np.float32
    )
    top = 2.0 ** (bits - 1)
    expected = np.floor(samples.astype(np.float64) * top + draws[:, 0] - draws[:, 1] + 0.5)
    pcm = Quantizer(bits, 77, same_in_both=same).quantize(samples)
    assert np.array_equal(pcm, np.clip(expected, -top, top - 1))


@settings(deadline=None, max_examples=80)
@given(
    bits=st.sampled_from([16, 24]),
    kind=st.sampled_from(KINDS),
    rate_hz=st.sampled_from([44_100, 48_000, 96_000]),
    seed=st.integers(0, 2**64 - 1),
    level=st.floats(0, 8, width=32),
)
def test_pcm_is_in_range_and_depends_on_the_seed(
    bits: int, kind: Dither, rate_hz: int, seed: int, level: float
) -> None:
    """Far over full scale, too: what clips leaves no trace in what comes after it."""
    top = 1 << (bits - 1)
    random = np.random.default_rng(seed)
    samples = (random.uniform(-1, 1, (3000, 2)) * level).astype(np.float32)
    pcm = Quantizer(bits, seed, dither=kind, rate_hz=rate_hz).quantize(samples)
    again = Quantizer(bits, seed, dither=kind, rate_hz=rate_hz).quantize(samples)
    assert pcm.dtype == np.int32
    assert np.array_equal(pcm, again)
    assert pcm.min() >= -top
    assert pcm.max() < top
    shaped = kind == "shaped" and bits == 16 and rate_hz in FEEDBACK
    most = 1.5 * (np.abs(noise_filter(rate_hz)).sum() if shaped else 1.0)
    wanted = np.clip(samples * np.float64(top), -top, top - 1)
    assert np.abs(pcm - wanted).max() <= most + 1e-6
    other = Quantizer(bits, seed ^ 1, dither=kind, rate_hz=rate_hz).quantize(samples)
    assert np.array_equal(pcm, other) == (kind == "none")


@pytest.mark.parametrize("kind", KINDS)
@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 2**32 - 1), level_db=st.floats(-120, 6))
def test_mono_stays_mono(kind: Dither, seed: int, level_db: float) -> None:
    wave = np.random.default_rng(seed).normal(0, 10 ** (level_db / 20), (3000, 1))
    samples = np.repeat(wave, 2, axis=1).astype(np.float32)
    pcm = Quantizer(16, seed, same_in_both=True, dither=kind).quantize(samples)
    assert np.array_equal(pcm[:, 0], pcm[:, 1])
    alone = Quantizer(16, seed, dither=kind).quantize(samples[:, :1])
    assert np.array_equal(pcm[:, :1], alone)


def test_stereo_has_two_dithers() -> None:
    wave = np.repeat(np.random.default_rng(1).normal(0, 0.1, (3000, 1)), 2, axis=1)
    for kind in ("tpdf", "shaped"):
        pcm = Quantizer(16, 1, dither=kind).quantize(wave.astype(np.float32))
        assert not np.array_equal(pcm[:, 0], pcm[:, 1])


@pytest.mark.parametrize("rate_hz", SHAPED_RATES_HZ)
def test_shaped_noise_follows_the_filter(rate_hz: int) -> None:
    """Power in bands of 500 Hz, within 0.3 dB of Δ²/4 times the filter's; 300 spectra."""
    samples = np.random.default_rng(4).normal(0, 0.01, (300_000, 2)).astype(np.float32)
    pcm = Quantizer(16, 8, dither="shaped", rate_hz=rate_hz).quantize(samples)
    error = pcm - samples / np.float64(LSB)
    hz, density = welch(error, rate_hz, nperseg=2048, axis=0, detrend=False)
    measured = density.mean(axis=1) * rate_hz / 2  # of white noise: its variance
    turns = np.exp(-2j * np.pi * np.outer(hz / rate_hz, np.arange(10)))
    expected = 0.25 * np.abs(turns @ noise_filter(rate_hz)) ** 2
    band = (hz[1:-1] // 500).astype(int)
    powers = [np.bincount(band, power[1:-1]) for power in (measured, expected)]
    assert np.abs(10 * np.log10(powers[0] / powers[1])).max() < 0.3


@pytest.mark.parametrize(("bits", "rate_hz"), [(24, 44_100), (16, 88_200), (16, 96_000)])
def test_shaped_is_tpdf_where_shaping_does_not_apply(bits: int, rate_hz: int) -> None:
    shaped = Quantizer(bits, 3, dither="shaped", rate_hz=rate_hz).quantize(SOUND)
    assert np.array_equal(shaped, Quantizer(bits, 3).quantize(SOUND))
    assert not np.array_equal(whole("shaped"), whole("tpdf"))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("bits", [16, 24])
def test_no_seed_rounds(bits: int, kind: Dither) -> None:
    expected = np.floor(SOUND * 2.0 ** (bits - 1) + 0.5).clip(max=2 ** (bits - 1) - 1)
    expected = expected.clip(min=-(2 ** (bits - 1)))
    assert np.array_equal(Quantizer(bits, None, dither=kind).quantize(SOUND), expected)
    assert np.array_equal(Quantizer(bits, 9, dither="none").quantize(SOUND), expected)


def silent_between(start: int, end: int, channels: tuple[int, ...] = (0, 1)) -> np.ndarray:
    sound = np.random.default_rng(8).normal(0, 0.01, (20_000, 2)).astype(np.float32)
    for channel in channels:
        sound[start:end, channel] = 0.0
    return sound


def test_shaped_noise_ends_in_digital_silence_and_resumes_with_the_sound() -> None:
    pcm = Quantizer(16, 1, dither="shaped").quantize(silent_between(4000, 12_000))
    tail, silence, back = np.split(pcm[4000:], [HOLD, 8000])
    assert np.abs(tail[-200:]).max() > 0
    assert len(silence) == 8000 - HOLD
    assert not silence.any()
    assert (back[:100] - silent_between(4000, 12_000)[12_000:12_100] / LSB).std() > 1


def test_the_noise_lasts_for_fifty_milliseconds_to_the_sample() -> None:
    rest = np.zeros((HOLD + 1, 2), np.float32)
    ends = [Quantizer(16, s, dither="shaped").quantize(rest)[-2:] for s in range(30)]
    assert np.any([end[0] for end in ends])
    assert not np.any([end[1] for end in ends])


def test_noise_continues_in_one_silent_channel_and_in_plain_tpdf() -> None:
    """A channel alone, a single faint sample; and in plain TPDF."""
    for channel in (0, 1):
        alone = Quantizer(16, 1, dither="shaped").quantize(silent_between(4000, 12_000, (channel,)))
        assert alone[4000 + HOLD : 12_000, channel].std() > 1
    faint = silent_between(4000, 12_000)
    faint[8000, 1] = 1e-12
    pcm = Quantizer(16, 1, dither="shaped").quantize(faint)
    assert not pcm[4000 + HOLD : 8000].any()
    assert pcm[8000 : 8000 + HOLD].std() > 1
    assert not pcm[8001 + HOLD : 12_000].any()
    plain = Quantizer(16, 1).quantize(silent_between(4000, 12_000))
    assert plain[4000 + HOLD : 12_000].std() == pytest.approx(0.5, rel=0.05)
