"""Gated, chopped, staccato and tremolo music made by code: what dropouts are confused with."""

from __future__ import annotations

import numpy as np
from made_music import KINDS, MINOR_HZ, Samples, Wave, drums, in_a_room, made_music
from scipy.signal import butter, sosfilt

_SHAPES = ("saw", "square", "fm", "noise", "pad")


def _gates(samples: int, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Return gains that open on a grid of notes, with steep or soft edges, fully shut or not."""
    gains, pattern = np.zeros(samples), rng.random(rng.choice([4, 8, 16])) < rng.uniform(0.4, 0.95)
    step = 60 / rng.uniform(70, 170) / rng.choice([2, 4, 4, 8]) * rate_hz
    long, jitter = rng.uniform(0.3, 1) * step, rng.choice([0, 0, 0.02]) * step
    attack, release = (rate_hz * 10 ** rng.uniform(-3.3, most) for most in (-1.7, -1.3))
    shut = rng.choice([0, 0, 0, 10 ** (-rng.uniform(8, 30) / 20)])
    uneven, decay_s = rng.choice([0, 0.3]), rng.choice([0.05, 0.2, 5, 5])
    pattern[0] = True
    for number in range(int(samples / step) + 1):
        first = int(number * step + jitter * rng.standard_normal())
        if not pattern[number % len(pattern)] or not 0 <= first < samples:
            continue
        at = np.arange(int(long))
        gate = np.minimum(at / attack, 1) * np.exp(-at / (rate_hz * decay_s))
        gate *= np.minimum((len(at) - at) / release, 1) * (1 - uneven * rng.random())
        part = gains[first : first + len(at)]
        np.maximum(part, gate[: len(part)], out=part)
    return shut + (1 - shut) * gains


def _voice(samples: int, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Return chords of one kind of wave that change every few seconds."""
    t = np.arange(samples) / rate_hz
    sound, bar = np.zeros((samples, 2)), int(rng.uniform(0.8, 4) * rate_hz)
    shape = rng.choice(_SHAPES)
    for begin in range(0, samples, bar):
        own = t[begin : begin + bar]
        for hz in rng.choice(MINOR_HZ, rng.integers(1, 5)):
            turns = hz * own * rng.choice([0.5, 1, 2]) * (1 + 1e-3 * rng.standard_normal())
            wave = {
                "saw": 2 * (turns % 1) - 1,
                "square": np.sign(np.sin(2 * np.pi * turns)),
                "fm": np.sin(2 * np.pi * turns + 3 * np.sin(2 * np.pi * 3.5 * turns)),
                "pad": np.sin(2 * np.pi * turns) + 0.3 * np.sin(4 * np.pi * turns + own),
                "noise": rng.standard_normal(len(own)),
            }[shape]
            pan = rng.uniform(0.2, 0.8)
            sound[begin : begin + bar] += wave[:, None] * [pan, 1 - pan]
    dull = butter(2, rng.uniform(600, 9000), fs=rate_hz, output="sos")
    return np.asarray(sosfilt(dull, sound, axis=0))


def gated_music(length_s: float, rate_hz: int, seed: int) -> Samples:
    """Return chopped voices or excerpts, some with drums, a room or an echo."""
    rng = np.random.default_rng([seed, 77])
    samples = int(length_s * rate_hz)
    sound = np.zeros((samples, 2))
    for _ in range(rng.integers(1, 4)):
        if rng.random() < 0.3:
            kind = str(rng.choice(list(KINDS)))
            part = made_music(kind, length_s, rate_hz, seed + 5000).astype(np.float64)
        else:
            part = _voice(samples, rate_hz, rng)
        gain = 10 ** (-rng.uniform(0, 12) / 20) / part.std()
        sound += gain * part * _gates(samples, rate_hz, rng)[:, None]
    if rng.random() < 0.3:
        beat = drums(length_s, rate_hz, rng)
        sound += beat / beat.std() * 10 ** (-rng.uniform(-3, 10) / 20)
    if rng.random() < 0.2:
        held = _voice(samples, rate_hz, rng)
        sound += held / held.std() * 10 ** (-rng.uniform(10, 30) / 20)
    if rng.random() < 0.5:
        sound = in_a_room(sound, rate_hz, rng, -rng.uniform(6, 25))
    if rng.random() < 0.3:
        late = int(rng.uniform(0.1, 0.4) * rate_hz)
        sound[late:] += rng.uniform(0.2, 0.5) * sound[:-late]
    return (0.5 * sound / np.abs(sound).max()).astype(np.float32)
