"""Make sides for tests: songs of chords, talk of syllables, tape noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.programme import ProgrammeReading
from assembler.restoration.split.restored_programme import read_programme

RATE_HZ = 12_000
Wave = NDArray[np.float64]


def level(db: float) -> float:
    return float(10 ** (db / 20))


def song(seconds: float, db: float = -20.0, hz: float = 220.0, fade_s: float = 1.0) -> Wave:
    """Return a chord that swells and falls by 6 dB, starts abruptly and fades out."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = sum(np.sin(2 * np.pi * hz * k * t + k) / k for k in (1, 2, 3, 5))
    wave = wave * (1 + np.sin(2 * np.pi * t / 7) / 3)
    wave *= level(db) / np.sqrt(np.mean(np.square(wave)))
    fade = round(fade_s * RATE_HZ)
    wave[len(wave) - fade :] *= np.linspace(1, 0, fade)
    return np.asarray(wave)


def talk(seconds: float, db: float = -38.0, seed: int = 3) -> Wave:
    """Return syllables of 0.1 to 0.25 s with pauses of 0.06 to 0.4 s between."""
    rng = np.random.default_rng(seed)
    wave = np.zeros(round(seconds * RATE_HZ))
    at = 0.0
    while at < seconds - 0.3:
        length = rng.uniform(0.1, 0.25)
        t = np.arange(round(length * RATE_HZ)) / RATE_HZ
        hz = rng.uniform(110, 180)
        syllable = sum(np.sin(2 * np.pi * hz * k * t) / k for k in range(1, 9)) * np.hanning(len(t))
        begin = round(at * RATE_HZ)
        wave[begin : begin + len(t)] = syllable[: len(wave) - begin]
        at += length + (rng.uniform(0.06, 0.15) if rng.random() < 0.6 else rng.uniform(0.2, 0.4))
    sounding = np.abs(wave) > 0
    return np.asarray(wave * (level(db) / np.sqrt(np.mean(np.square(wave[sounding])))))


def silence(seconds: float) -> Wave:
    return np.zeros(round(seconds * RATE_HZ))


def side(*parts: Wave, noise_db: float = -60.0, seed: int = 1) -> Samples:
    """Join parts to a stereo side with tape noise; -inf leaves the noise out."""
    wave = np.concatenate(parts)
    noise = np.random.default_rng(seed).standard_normal((len(wave), 2)) * level(noise_db)
    return np.asarray(wave[:, None] + noise, np.float32)


def reading(*parts: Wave, noise_db: float = -60.0) -> ProgrammeReading:
    return read_programme([side(*parts, noise_db=noise_db)], RATE_HZ)
