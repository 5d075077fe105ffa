"""TPDF dither of 2 LSB (Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40, 1992): the total
error has mean 0 and variance Δ²/4, whatever the signal; bounds are five standard errors.

Shaped noise (Lipshitz, Vanderkooy, Wannamaker, J. Audio Eng. Soc. 39, 1991): the theorem of Gerzon
and Craven (J. Audio Eng. Soc. 37, 1989), and what the ear is spared by two thresholds of hearing.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import solve_toeplitz
from scipy.signal import welch

from assembler.dsp.dither import FEEDBACK, Dither, Quantizer, samples_of

COUNT = 400_000
LSB = 2.0**-15
OFFSETS_LSB = [0.0, 0.1, 0.25, 0.4, 0.5, 0.75, -0.3, 1000.5]


def errors_lsb(samples: np.ndarray, seed: int) -> np.ndarray:
    pcm = Quantizer(16, seed).quantize(samples)
    return pcm - samples.astype(np.float64) / LSB


def tone_dbfs(level: float, bins: int, length: int) -> np.ndarray:
    """A stereo sine that fills `length` with a whole number of periods."""
    wave = 10 ** (level / 20) * np.sin(2 * np.pi * bins / length * np.arange(length))
    return np.stack([wave, wave], 1).astype(np.float32)


@pytest.mark.parametrize("offset_lsb", OFFSETS_LSB)
def test_first_two_moments_at_any_level(offset_lsb: float) -> None:
    error = errors_lsb(np.full((COUNT, 2), offset_lsb * LSB, np.float32), 1992)
    square = error**2
    assert abs(error.mean()) <= 5 * error.std() / np.sqrt(error.size)
    assert abs(square.mean() - 0.25) <= 5 * square.std() / np.sqrt(error.size)
    assert np.abs(error).max() <= 1.5


def test_error_does_not_follow_the_signal() -> None:
    ramp = np.linspace(-2 * LSB, 2 * LSB, COUNT).astype(np.float32)[:, None]
    position = (ramp[:, 0] / LSB) % 1.0
    error = errors_lsb(ramp, 7)[:, 0]
    for moment, expected in ((error, 0.0), (error**2, 0.25)):
        for tenth in range(10):
            part = moment[(position >= tenth / 10) & (position < (tenth + 1) / 10)]
            assert abs(part.mean() - expected) < 5 * part.std() / np.sqrt(len(part))


def test_error_is_white_and_channels_are_independent() -> None:
    error = errors_lsb(np.zeros((COUNT, 2), np.float32), 3)
    bound = 5 / np.sqrt(COUNT)
    assert abs(np.corrcoef(error[:, 0], error[:, 1])[0, 1]) < bound
    for lag in (1, 2, 3, 64):
        assert abs(np.corrcoef(error[lag:, 0], error[:-lag, 0])[0, 1]) < bound


@pytest.mark.parametrize("level_dbfs", [-120.0, -100.0, -91.0, -60.0])
@pytest.mark.parametrize("bins", [1, 97, 3001])
def test_moments_on_low_sines_at_each_phase(bins: int, level_dbfs: float) -> None:
    """Both moments of the error, in eight parts of the sine's period."""
    length, runs = 8192, 25
    samples = np.tile(tone_dbfs(level_dbfs, bins, length), (runs, 1))
    error = errors_lsb(samples, bins)
    part = np.tile(8 * ((bins * np.arange(length)) % length) // length, runs)
    for moment, expected in ((error, 0.0), (error**2, 0.25)):
        for eighth in range(8):
            here = moment[part == eighth]
            assert abs(here.mean() - expected) < 5 * here.std() / np.sqrt(here.size)


TONE_LENGTH, TONE_BINS, TONE_RUNS = 8192, 97, 200


def tone_spectrum(level_dbfs: float, kind: Dither) -> np.ndarray:
    """Return the mean power of a quantised sine per bin, over many periods of one stream."""
    tone = tone_dbfs(level_dbfs, TONE_BINS, TONE_LENGTH)
    pcm = Quantizer(16, 100, dither=kind).quantize(np.tile(tone, (TONE_RUNS + 1, 1)))
    stretches = pcm[TONE_LENGTH:, 0].reshape(TONE_RUNS, TONE_LENGTH)
    return np.mean(np.abs(np.fft.rfft(stretches * np.hanning(TONE_LENGTH), axis=1)) ** 2, axis=0)


def harmonics_above_floor(power: np.ndarray) -> np.ndarray:
    """Power of harmonics 2 to 40 over the mean of the 80 bins around each, the nearest left out."""
    excess = []
    for place in TONE_BINS * np.arange(2, 41):
        around = np.concatenate([power[place - 44 : place - 4], power[place + 5 : place + 45]])
        excess.append(power[place] / around.mean())
    return np.array(excess)


@pytest.mark.parametrize("level_dbfs", [-100.0, -88.0, -70.0])
@pytest.mark.parametrize("kind", ["tpdf", "shaped"])
def test_no_harmonic_of_a_low_tone_is_above_the_noise(kind: Dither, level_dbfs: float) -> None:
    """A mean of 200 powers varies by 1/sqrt(200): five of these; the tone keeps its level."""
    power = tone_spectrum(level_dbfs, kind)
    assert harmonics_above_floor(power).max() < 1 + 5 / np.sqrt(TONE_RUNS)
    expected = (10 ** (level_dbfs / 20) / LSB * np.hanning(TONE_LENGTH).sum() / 2) ** 2
    floor = power[TONE_BINS + 5 : TONE_BINS + 45].mean()
    assert power[TONE_BINS] - floor == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("level_dbfs", [-88.0, -70.0])
def test_rounding_without_dither_has_harmonics(level_dbfs: float) -> None:
    """The measurement above can see them."""
    assert harmonics_above_floor(tone_spectrum(level_dbfs, "none")).max() > 100


def test_rounding_without_dither_loses_a_tone_below_one_step() -> None:
    assert not Quantizer(16, None).quantize(tone_dbfs(-100.0, 97, 8192)).any()
    assert not Quantizer(16, 1, dither="none").quantize(tone_dbfs(-100.0, 97, 8192)).any()


THRESHOLD_DB_SPL = {
    20: 78.5, 25: 68.7, 31.5: 59.5, 40: 51.1, 50: 44.0, 63: 37.5, 80: 31.5, 100: 26.5, 125: 22.1,
    160: 17.9, 200: 14.4, 250: 11.4, 315: 8.6, 400: 6.2, 500: 4.4, 630: 3.0, 800: 2.2, 1000: 2.4,
    1250: 3.5, 1600: 1.7, 2000: -1.3, 2500: -4.2, 3150: -6.0, 4000: -5.4, 5000: -1.5, 6300: 6.0,
    8000: 12.6, 10000: 13.9, 12500: 12.3, 14000: 18.4, 16000: 40.2,
}  # fmt: skip
"""Threshold of hearing: ISO 226:2003, Table 1, and ISO 389-7 above 12.5 kHz (from memory)."""
REACH_DB = 40
"""How far above its lowest point it is used: the project's own choice."""


def threshold_db(hz: np.ndarray) -> np.ndarray:
    """ISO's threshold over its lowest point, as far as it is used."""
    table = np.array(list(THRESHOLD_DB_SPL.items()))
    curve = np.interp(np.log(np.maximum(hz, 20)), np.log(table[:, 0]), table[:, 1])
    return np.minimum(curve - table[:, 1].min(), REACH_DB)


def terhardt_db(hz: np.ndarray) -> np.ndarray:
    """Another: Terhardt, "Calculating virtual pitch", Hearing Research 1, 1979 (from memory)."""
    khz = np.maximum(hz, 20) / 1000
    return 3.64 * khz**-0.8 - 6.5 * np.exp(-0.6 * (khz - 3.3) ** 2) + 1e-3 * khz**4


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_the_filter_has_the_least_audible_error(rate_hz: int) -> None:
    """Least squares by linear prediction: the weight's autocorrelation, nine equations."""
    hz = np.arange(4097) / 8192 * rate_hz
    correlation = np.fft.irfft(10 ** (-threshold_db(hz) / 10))[:10]
    designed = solve_toeplitz(correlation[:-1], -correlation[1:])
    assert np.array(FEEDBACK[rate_hz]) == pytest.approx(designed, abs=1e-4)
    assert np.abs(np.roots([1.0, *FEEDBACK[rate_hz]])).max() < 0.95  # minimum phase


def noise_density(kind: Dither, rate_hz: int) -> tuple[np.ndarray, np.ndarray]:
    """Spectral density of the error on faint noise, white noise of variance Δ²/4 as 1."""
    samples = np.random.default_rng(1991).normal(0, 1e-3, (1 << 20, 2)).astype(np.float32)
    pcm = Quantizer(16, 5, dither=kind, rate_hz=rate_hz).quantize(samples)
    error = pcm - samples / np.float64(LSB)
    hz, density = welch(error, rate_hz, nperseg=2048, axis=0, detrend=False)
    return hz[1:-1], density.mean(axis=1)[1:-1] * rate_hz / 2 / 0.25


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_gerzon_craven_and_the_audible_gain(rate_hz: int) -> None:
    """In decibels the mean is white noise's; weighted by a threshold 10 dB less and more."""
    hz, shaped = noise_density("shaped", rate_hz)
    _, white = noise_density("tpdf", rate_hz)
    assert white.mean() == pytest.approx(1.0, rel=0.01)
    assert 10 * np.log10(white).mean() == pytest.approx(0.0, abs=0.05)
    assert 10 * np.log10(shaped).mean() == pytest.approx(0.0, abs=0.05)
    assert 10 * np.log10(shaped.mean()) < 13.0
    for threshold in (threshold_db(hz), terhardt_db(hz)):
        weight = 10 ** (-threshold / 10)
        spared_db = 10 * np.log10((white * weight).sum() / (shaped * weight).sum())
        assert spared_db > 12.0
    around_3_khz = (hz > 2500) & (hz < 4500)
    assert 10 * np.log10(shaped[around_3_khz].mean()) < -15.0


def test_the_seed_decides_the_pcm() -> None:
    samples = np.random.default_rng(5).normal(0, 0.1, (5000, 2)).astype(np.float32)
    first = Quantizer(16, 11).quantize(samples)
    assert np.array_equal(first, Quantizer(16, 11).quantize(samples))
    assert not np.array_equal(first, Quantizer(16, 12).quantize(samples))


def test_dither_continues_from_block_to_block() -> None:
    samples = np.zeros((6000, 2), np.float32)
    quantizer = Quantizer(16, 11)
    cuts = np.split(samples, [1, 17, 1000, 1000, 4096])
    pieces = [quantizer.quantize(piece) for piece in cuts]
    assert np.array_equal(np.concatenate(pieces), Quantizer(16, 11).quantize(samples))
    assert not np.array_equal(pieces[1][:16], pieces[2][:16])


def test_mono_stays_mono() -> None:
    wave = np.random.default_rng(6).normal(0, 0.1, 20000).astype(np.float32)
    samples = np.stack([wave, wave], 1)
    pcm = Quantizer(16, 9, same_in_both=True).quantize(samples)
    assert np.array_equal(pcm[:, 0], pcm[:, 1])
    assert np.mean((pcm[:, 0] - wave / np.float64(LSB)) ** 2) == pytest.approx(0.25, rel=0.05)
    apart = Quantizer(16, 9).quantize(samples)
    assert not np.array_equal(apart[:, 0], apart[:, 1])


@pytest.mark.parametrize("bits", [16, 24])
def test_pcm_passes_exactly_without_dither(bits: int) -> None:
    top = 1 << (bits - 1)
    pcm = np.random.default_rng(bits).integers(-top, top, (50_000, 2), np.int32)
    pcm[:4] = [[-top, top - 1], [0, -1], [1, 0], [top - 1, -top]]
    again = Quantizer(bits, None).quantize(samples_of(pcm, bits))
    assert again.dtype == np.int32
    assert np.array_equal(again, pcm)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("seed", [None, 4])
def test_full_scale_clips_instead_of_wrapping_round(bits: int, seed: int | None) -> None:
    top = 1 << (bits - 1)
    samples = np.array([[1.0, -1.0], [1.5, -1.5]], np.float32)
    pcm = Quantizer(bits, seed).quantize(np.repeat(samples, 500, axis=0))
    assert pcm[:, 0].max() == top - 1
    assert pcm[:, 1].min() == -top
    assert pcm[:, 0].min() > top - 4
    assert pcm[:, 1].max() < -top + 4
