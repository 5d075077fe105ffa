"""Noise reduction: against two plain methods, in noise alone, and in loud music.

Segmental signal-to-noise ratio (frames of 1024 samples, held within -10 and 35 dB) and log-spectral
distance are the usual measures of speech enhancement, and the kurtosis ratio that of musical noise
(Uemura and others, 2008): all from memory.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import scipy.fft
import soundfile
from excerpts import with_debian_music
from made_music import KINDS, made_music
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from outside import real_music
from scipy.signal import wiener

from assembler.dsp.blocks import Samples
from assembler.errors import SourceError
from assembler.restoration.repair.noise import NoisePrint, denoise, measure_noise_print

Sound = NDArray[np.float64]
RATE_HZ = 44_100
FRAME = 2048
HOP = FRAME // 2
WINDOW = np.sin(np.pi * np.arange(FRAME) / FRAME)


def in_blocks(sound: Samples, length: int = 1 << 17) -> list[Samples]:
    return [sound[i : i + length] for i in range(0, len(sound), length)]


def tape_noise(samples: int, level_db: float, seed: int, rate_hz: int = RATE_HZ) -> Samples:
    """Return noise that rises in the treble, rolls off at its end, and rumbles a little."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal((samples, 2)), axis=0)
    hz = np.fft.rfftfreq(samples, 1 / rate_hz)[:, None]
    shape = (1 + (hz / 3_000) ** 2) ** 0.25 / np.sqrt(1 + (hz / 15_000) ** 4)
    noise = np.fft.irfft(spectrum * shape * (1 + 150 / (hz + 20)), samples, axis=0)
    return (noise * 10 ** (level_db / 20) / np.std(noise)).astype(np.float32)


def spectra(sound: Sound) -> NDArray[np.complex128]:
    padded = np.concatenate((np.zeros(HOP), sound, np.zeros(FRAME)))
    return np.asarray(scipy.fft.rfft(sliding_window_view(padded, FRAME)[::HOP] * WINDOW))


def plain_wiener(sound: Sound, noise: Sound, reduction_db: float) -> Sound:
    """Return the sound with each bin weighted by its own signal-to-noise ratio."""
    mean = (np.abs(spectra(noise)[1:-2]) ** 2).mean(axis=0)
    analysed = spectra(sound)
    floor = 10 ** (-reduction_db / 20)
    gains = np.maximum(1 - mean / np.maximum(np.abs(analysed) ** 2, 1e-20), floor)
    frames = scipy.fft.irfft(analysed * gains) * WINDOW
    out = np.zeros((len(frames) + 1) * HOP)
    for place, frame in enumerate(frames):
        out[place * HOP : place * HOP + FRAME] += frame
    return out[HOP : HOP + len(sound)]


def segmental_snr_db(clean: Sound, other: Sound) -> float:
    whole = len(clean) // 1024 * 1024
    true = clean[:whole].reshape(-1, 1024)
    error = other[:whole].reshape(-1, 1024) - true
    ratios = ((true**2).sum(axis=1) + 1e-12) / ((error**2).sum(axis=1) + 1e-12)
    return float(np.mean(np.clip(10 * np.log10(ratios), -10, 35)))


def log_spectral_distance_db(clean: Sound, other: Sound) -> float:
    levels = [20 * np.log10(np.abs(spectra(sound)) + 1e-9) for sound in (clean, other)]
    least = levels[0].max() - 90
    true, given = (np.maximum(level, least) for level in levels)
    return float(np.mean(np.sqrt(np.mean((true - given) ** 2, axis=1))))


def reduced(sound: Samples, noise: Samples, reduction_db: float, rate_hz: int = RATE_HZ) -> Samples:
    noise_print = measure_noise_print(in_blocks(noise), rate_hz)
    return np.concatenate(list(denoise(in_blocks(sound), rate_hz, noise_print, reduction_db)))


@pytest.fixture(scope="module", params=with_debian_music(["made"], ["real"]))
def pieces(request: pytest.FixtureRequest) -> list[Samples]:
    """Return 15 s of each piece: of each kind that is made, or of Debian's."""
    if request.param == "made":
        return [made_music(kind, 15.0, RATE_HZ) for kind in KINDS]
    found = []
    for path in real_music("singularity-music")[::3]:
        sound, _ = soundfile.read(path, frames=40 * 48_000, dtype="float32", always_2d=True)
        found.append(np.ascontiguousarray(sound[-15 * RATE_HZ :]))
    return found


@pytest.mark.thorough
@pytest.mark.parametrize(("level_db", "least_gain_db"), [(-45, 0.9), (-60, 0.01)])
def test_better_than_plain_wiener_filters_in_both_measures(
    pieces: list[Samples], level_db: float, least_gain_db: float
) -> None:
    noise = tape_noise(5 * RATE_HZ, level_db, seed=1)
    gains = []
    for number, clean in enumerate(pieces):
        noisy = clean + tape_noise(len(clean), level_db, seed=2 + number)
        true, given = clean[:, 0].astype(np.float64), noisy[:, 0].astype(np.float64)
        alone = noise[:, 0].astype(np.float64)
        ours = reduced(noisy, noise, 12)[:, 0].astype(np.float64)
        for theirs in (
            plain_wiener(given, alone, 12),
            wiener(given, 29, noise=float(np.var(alone))),
        ):
            snr_db = segmental_snr_db(true, ours) - segmental_snr_db(true, theirs)
            nearer_db = log_spectral_distance_db(true, theirs) - log_spectral_distance_db(
                true, ours
            )
            gains.append((snr_db, nearer_db))
    print(level_db, np.round(gains, 2).tolist())
    # about equal where the music is loud throughout, or has a noise of its own as a bow has
    assert np.min(gains) > -0.45
    assert np.min(np.mean([gains[0::2], gains[1::2]], axis=1)) > least_gain_db


@pytest.mark.parametrize("reduction_db", [4, 8, 12, 20])
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_noise_alone_falls_by_the_reduction(reduction_db: float, rate_hz: int) -> None:
    noise = tape_noise(8 * rate_hz, -55, 3, rate_hz)
    left = reduced(noise, tape_noise(3 * rate_hz, -55, 4, rate_hz), reduction_db, rate_hz)
    fallen_db = 20 * np.log10(np.std(noise, axis=0) / np.std(left, axis=0))
    assert fallen_db == pytest.approx([reduction_db, reduction_db], abs=1)


def kurtosis(sound: Sound) -> float:
    """Return the kurtosis of the power in each bin over time, mean over bins: 9 for even noise."""
    powers = np.abs(spectra(sound)[1:-2]) ** 2
    spread = powers - powers.mean(axis=0)
    return float(np.mean((spread**4).mean(axis=0) / (spread**2).mean(axis=0) ** 2))


def test_noise_stays_even() -> None:
    noise, alone = tape_noise(20 * RATE_HZ, -55, 5), tape_noise(5 * RATE_HZ, -55, 6)
    before = kurtosis(noise[:, 0].astype(np.float64))
    ours = kurtosis(reduced(noise, alone, 12)[:, 0].astype(np.float64))
    plain = plain_wiener(noise[:, 0].astype(np.float64), alone[:, 0].astype(np.float64), 12)
    print("kurtosis", before, ours, kurtosis(plain))
    assert ours < 1.15 * before
    assert kurtosis(plain) > 2 * before  # the measure rises for uneven noise


def test_loud_music_stays_within_a_third_of_a_db(pieces: list[Samples]) -> None:
    """Bands of the music 20 dB above the noise keep their level, octave by octave."""
    noise = tape_noise(5 * RATE_HZ, -75, 7)
    quiet = np.abs(spectra(noise[:, 0].astype(np.float64))[1:-2]) ** 2
    edges = [6 << octave for octave in range(8)]
    compared = 0
    for clean in pieces:
        left = reduced(clean, noise, 12)
        before, after = (
            np.abs(spectra(sound[:, 0].astype(np.float64))) ** 2 for sound in (clean, left)
        )
        for low, high in pairwise(edges):
            levels = before[:, low:high].mean(axis=1)
            loud = levels > 100 * quiet[:, low:high].mean()
            if loud.sum() < 20:
                continue
            kept = after[loud, low:high].sum() / before[loud, low:high].sum()
            assert abs(10 * np.log10(kept)) < 0.3
            compared += 1
    assert compared > 2 * len(pieces)


def test_attacks_keep_their_first_milliseconds() -> None:
    noise = tape_noise(5 * RATE_HZ, -60, 8)
    sound = tape_noise(2 * RATE_HZ, -60, 9).astype(np.float64)
    time = np.arange(RATE_HZ // 2) / RATE_HZ
    hit = 0.3 * np.exp(-time / 0.05) * np.random.default_rng(3).standard_normal(len(time))
    sound[RATE_HZ : RATE_HZ + len(hit)] += hit[:, None]
    left = reduced(sound.astype(np.float32), noise, 12)
    first = slice(RATE_HZ, RATE_HZ + 441)
    assert 10 * np.log10(
        np.mean(left[first].astype(np.float64) ** 2) / np.mean(sound[first] ** 2)
    ) == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize("length", [1, 997, 40_000])
def test_block_lengths_change_nothing(length: int) -> None:
    sound = tape_noise(150_000, -30, 10)
    noise_print = measure_noise_print([tape_noise(RATE_HZ, -50, 11)], RATE_HZ)
    sound = sound[:9_000] if length == 1 else sound
    whole = np.concatenate(list(denoise([sound], RATE_HZ, noise_print, 9)))
    parts = np.concatenate(list(denoise(in_blocks(sound, length), RATE_HZ, noise_print, 9)))
    assert whole.dtype == np.float32
    assert np.array_equal(whole, parts)


@pytest.mark.parametrize("samples", [0, 1, 1023, 1024, 1025, 2048, 100_001])
@pytest.mark.parametrize("reduction_db", [0, 6])
def test_the_number_of_samples_is_kept(samples: int, reduction_db: float) -> None:
    noise_print = measure_noise_print([tape_noise(RATE_HZ, -50, 12)], RATE_HZ)
    sound = tape_noise(max(samples, 4), -20, 13)[:samples]
    given = list(denoise([sound], RATE_HZ, noise_print, reduction_db))
    assert sum(map(len, given)) == samples
    if reduction_db == 0:
        assert np.array_equal(np.concatenate(given), sound)


@pytest.mark.filterwarnings("error")
def test_silence_and_noise_that_is_silence_pass() -> None:
    silence = np.zeros((50_000, 2), np.float32)
    loud = np.clip(10 * tape_noise(50_000, -10, 14), -1, 1)
    noise = measure_noise_print([tape_noise(RATE_HZ, -50, 15)], RATE_HZ)
    nothing = measure_noise_print([silence], RATE_HZ)
    assert not np.concatenate(list(denoise([silence], RATE_HZ, noise, 9))).any()
    kept = np.concatenate(list(denoise([loud], RATE_HZ, nothing, 9)))
    assert kept == pytest.approx(loud, abs=1e-5)


def test_each_channel_has_its_own_noise() -> None:
    noise = tape_noise(5 * RATE_HZ, -50, 16) * np.array([1, 0.1], np.float32)
    noise_print = measure_noise_print(in_blocks(noise), RATE_HZ)
    apart_db = 10 * np.log10(noise_print.power[0].mean() / noise_print.power[1].mean())
    assert apart_db == pytest.approx(20, abs=0.5)
    left = reduced(noise, noise, 10)
    fallen_db = 20 * np.log10(np.std(noise, axis=0) / np.std(left, axis=0))
    assert fallen_db == pytest.approx([10, 10], abs=1)


def test_too_short_a_passage_is_refused() -> None:
    with pytest.raises(SourceError, match="choose a longer noise print"):
        measure_noise_print([np.zeros((2_000, 2), np.float32)], RATE_HZ)


def test_noise_of_another_rate_is_refused() -> None:
    noise_print = NoisePrint(48_000, np.ones((2, 1025), np.float32))
    with pytest.raises(ValueError, match="48000"):
        next(denoise([np.zeros((10, 2), np.float32)], RATE_HZ, noise_print, 6))
