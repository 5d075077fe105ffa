"""Excerpts that sound like music, made by code: drums, dense, plucked, strings and speech.

They are here for tests that need more than tones and noise, on any machine. Each has what its kind
is awkward for: drums steep attacks, dense music no rest at all, plucked notes long decays, strings
vibrato and a wide range of levels, speech pauses. A small room gives each channel its own sound.
"""

from __future__ import annotations

import functools
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, oaconvolve, sosfilt

Wave = NDArray[np.float64]
Samples = NDArray[np.float32]
MINOR_HZ = tuple(110 * 2 ** (step / 12) for step in (0, 3, 5, 7, 10, 12, 15, 17, 19, 22, 24))


def times(length_s: float, rate_hz: int) -> Wave:
    """Return the time of each sample in seconds."""
    return np.arange(round(length_s * rate_hz)) / rate_hz


def panned(sound: Wave, wave: Wave, first: int, pan: float) -> None:
    """Add a wave to a sound of two channels, from 0 (left) to 1 (right) at equal power."""
    wave = wave[: len(sound) - first]
    gains = [np.cos(np.pi / 2 * pan), np.sin(np.pi / 2 * pan)]
    sound[first : first + len(wave)] += wave[:, None] * gains


def in_a_room(dry: Wave, rate_hz: int, rng: np.random.Generator, wet_db: float) -> Wave:
    """Add a decay of half a second, different in each channel, at a level against the dry sound."""
    t = times(0.5, rate_hz)
    tail = rng.standard_normal((len(t), 2)) * np.exp(-t / 0.08)[:, None]
    tail[: rate_hz // 100] = 0  # 10 ms before the first reflection
    dull = sosfilt(butter(1, 4000, fs=rate_hz, output="sos"), tail, axis=0)
    wet = oaconvolve(dry, dull, axes=0)[: len(dry)]
    return dry + wet * (10 ** (wet_db / 20) * dry.std() / wet.std())


def drums(length_s: float, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Return kick, snare, closed hats and toms in sixteenths at 112 beats a minute."""
    sound = np.zeros((round(length_s * rate_hz), 2))
    t = times(0.5, rate_hz)
    high = butter(2, 6000, "high", fs=rate_hz, output="sos")
    step_s = 60 / 112 / 4
    for step in range(int(length_s / step_s)):
        at, size = round(step * step_s * rate_hz), rng.uniform(0.6, 1)
        noise = rng.standard_normal(len(t))
        if step % 8 == 0 or (step % 16 == 10 and rng.random() < 0.6):
            turns = 52 * t + 2.5 * (1 - np.exp(-t / 0.03))
            panned(sound, size * np.exp(-t / 0.15) * np.sin(2 * np.pi * turns), at, 0.5)
        if step % 8 == 4:
            ring = np.exp(-t / 0.08) * np.sin(2 * np.pi * 187 * t)
            panned(sound, size * (0.4 * ring + 0.3 * np.exp(-t / 0.06) * noise), at, 0.45)
        if step % 2 == 0 or rng.random() < 0.3:
            hat = sosfilt(high, noise) * np.exp(-t / rng.choice([0.02, 0.02, 0.12]))
            panned(sound, 0.15 * size * hat, at, 0.7)
        if step % 64 > 56:
            hz = 150 - 12 * (step % 8)
            panned(sound, 0.5 * size * np.exp(-t / 0.1) * np.sin(2 * np.pi * hz * t), at, 0.3)
    return in_a_room(sound, rate_hz, rng, -12)


def plucked(length_s: float, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Return notes of a plucked string: inharmonic partials, the higher the sooner gone."""
    sound = np.zeros((round(length_s * rate_hz), 2))
    t = times(2, rate_hz)
    falls = []
    for number in range(1, 13):
        short = round(min(2, 5 / number**0.7) * rate_hz)
        pluck = np.sin(np.pi * number * 0.23) / number
        falls.append(pluck * np.exp(-t[:short] * (0.8 + 0.5 * number)))
    at_s = 0.05
    while at_s < length_s:
        hz = rng.choice(MINOR_HZ)
        note = np.zeros(len(t))
        for number, fall in enumerate(falls, 1):
            partial_hz = hz * number * np.sqrt(1 + 2e-4 * number**2)
            note[: len(fall)] += fall * np.sin(2 * np.pi * partial_hz * t[: len(fall)])
        note += 0.05 * np.exp(-t / 0.01) * rng.standard_normal(len(t))  # the finger's own noise
        note *= np.minimum(t / 0.003, 1) * np.minimum((t[-1] - t) / 0.1, 1)
        first, pan = round(at_s * rate_hz), rng.uniform(0.3, 0.7)
        panned(sound, rng.uniform(0.3, 1) * note, first, pan)
        at_s += rng.choice([0.15, 0.3, 0.3, 0.6, 1.2])
    return in_a_room(sound, rate_hz, rng, -14)


def strings(length_s: float, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Return four bowed parts with vibrato that swell and sink, and begin and end in silence."""
    t = times(length_s, rate_hz)
    sound = np.zeros((len(t), 2))
    bow_band = butter(1, [1500, 6000], "band", fs=rate_hz, output="sos")
    for part, pan in enumerate((0.2, 0.4, 0.6, 0.8)):
        at = 0.2 * part
        while at < length_s - 1:
            long_s = min(rng.uniform(1.5, 5), length_s - at)
            own = times(long_s, rate_hz)
            hz = MINOR_HZ[rng.integers(3 - part // 2, 11 - 2 * part)] * (1 + 0.002 * part)
            wobble = 0.004 * hz / 5.3 * np.minimum(own, 1) * np.sin(2 * np.pi * 5.3 * own + part)
            turn = 2 * np.pi * (hz * own + wobble) + rng.uniform(0, 6)
            circle = np.exp(1j * turn)
            partials = np.zeros_like(circle)
            for number in reversed(range(1, min(20, int(9000 / hz)))):
                partials += np.exp(1j * number) / number**1.2
                partials *= circle
            wave = partials.imag
            bow = sosfilt(bow_band, rng.standard_normal(len(own)))
            ends = np.minimum(own / 0.12, 1) * np.minimum((own[-1] - own) / 0.25, 1)
            panned(
                sound, (wave + 0.15 * bow) * ends * rng.uniform(0.5, 1), round(at * rate_hz), pan
            )
            at += long_s - 0.15
    swell_db = -9 + 9 * np.sin(2 * np.pi * t / 17 - 1.5)
    ends = np.minimum(t / 0.5, 1) * np.minimum((t[-1] - t) / 2, 1)
    return in_a_room(sound * (10 ** (swell_db / 20) * ends)[:, None], rate_hz, rng, -8)


def dense(length_s: float, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Return drums, a distorted bass and chords in both channels, pressed until nothing rests."""
    t = times(length_s, rate_hz)
    beat = drums(length_s, rate_hz, rng)
    sound = 0.9 * beat / np.abs(beat).max()
    for bar in range(int(length_s / 2) + 1):
        own = t[2 * bar * rate_hz : 2 * (bar + 1) * rate_hz] - 2 * bar
        root_hz = MINOR_HZ[(0, 4, 2, 3)[bar % 4]]
        stroke = 0.6 + 0.4 * np.exp(-(own % 0.25) / 0.1)
        bass = np.tanh(3 * np.sin(np.pi * root_hz * own)) * stroke
        panned(sound, 0.3 * bass, 2 * bar * rate_hz, 0.5)
        for side, tuning in ((0.1, 1.0), (0.9, 1.0037)):
            turn = 2 * np.pi * root_hz * tuning * own
            chord = sum(np.sin(turn * ratio + side + ratio) for ratio in (2, 3, 4, 6))
            panned(sound, 0.25 * np.tanh(2 * chord) * stroke, 2 * bar * rate_hz, side)
    sound += 0.02 * rng.standard_normal(sound.shape)
    return np.tanh(1.8 * sound)


def speech(length_s: float, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Return voiced syllables and hisses between pauses, near the middle of a dry room."""
    wave = np.zeros(round(length_s * rate_hz))
    hiss_band = butter(2, [3000, 9000], "band", fs=rate_hz, output="sos")
    at_s = 0.3
    while at_s < length_s - 0.5:
        t = times(rng.uniform(0.12, 0.3), rate_hz)
        pitch_hz = rng.uniform(95, 150) * (1 - 0.2 * t / t[-1])
        pulses = np.diff(np.floor(np.cumsum(pitch_hz) / rate_hz), prepend=0.0)
        formants = (rng.uniform(300, 800), 80), (rng.uniform(900, 2200), 110), (2700, 160)
        for hz, wide_hz in formants:
            radius = np.exp(-np.pi * wide_hz / rate_hz)
            middle = -2 * radius * np.cos(2 * np.pi * hz / rate_hz)
            pulses = lfilter([1], [1, middle, radius**2], pulses)
        syllable = pulses / np.abs(pulses).max() * np.hanning(len(t)) * rng.uniform(0.5, 1)
        if rng.random() < 0.4:
            hiss = sosfilt(hiss_band, rng.standard_normal(rate_hz // 12))
            syllable = np.concatenate((0.2 * hiss * np.hanning(len(hiss)), syllable))
        first = round(at_s * rate_hz)
        wave[first : first + len(syllable)] += syllable[: len(wave) - first]
        at_s += len(syllable) / rate_hz
        at_s += rng.uniform(0.02, 0.12) if rng.random() < 0.75 else rng.uniform(0.3, 0.9)
    return in_a_room(np.repeat(wave[:, None], 2, axis=1), rate_hz, rng, -20)


KINDS: dict[str, tuple[Callable[[float, int, np.random.Generator], Wave], float]] = {
    "drums": (drums, -1.0),
    "dense": (dense, -0.2),
    "plucked": (plucked, -4.0),
    "strings": (strings, -9.0),
    "speech": (speech, -3.0),
}
"""How each kind is made, and its sample peak in dBFS."""


@functools.cache
def made_music(kind: str, length_s: float = 30.0, rate_hz: int = 48000, seed: int = 0) -> Samples:
    """Return an excerpt of a kind of music, the same each time; shape (frames, 2), read only."""
    make, peak_dbfs = KINDS[kind]
    sound = make(length_s, rate_hz, np.random.default_rng([seed, *kind.encode()]))
    samples = (sound * (10 ** (peak_dbfs / 20) / np.abs(sound).max())).astype(np.float32)
    samples.setflags(write=False)
    return samples
