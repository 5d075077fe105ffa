"""Dropouts added to music, made and real, are found; rests, staccato and music have none.

The dropouts are this test's own: 8 to 40 dB deep, 12 to 300 ms long.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from excerpts import part_of, with_debian_music
from made_music import KINDS, made_music
from numpy.typing import NDArray
from outside import real_music
from restoration.gated_music import gated_music

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis import dropouts as dropout_meter
from assembler.restoration.analysis.dropouts import BOTH, Dropout, DropoutMeter

RATE_HZ = 44_100


@dataclass(frozen=True)
class AddedDropout:
    """A dropout that was added to music."""

    channel: int
    at_s: float
    length_s: float
    depth_db: float

    def found_in(self, dropouts: tuple[Dropout, ...]) -> list[Dropout]:
        return [
            found
            for found in dropouts
            if found.channel == self.channel
            and found.at_s < self.at_s + self.length_s + 0.02
            and found.at_s + found.length_s > self.at_s - 0.02
        ]


def dropouts_of(
    sound: Samples, rate_hz: int = RATE_HZ, length: int = 1 << 17
) -> tuple[Dropout, ...]:
    meter = DropoutMeter(rate_hz)
    for begin in range(0, len(sound), length):
        meter.feed(sound[begin : begin + length])
    return meter.reading()


def on_tape(sound: Samples, seed: int = 2) -> Samples:
    """Add tape noise at -70 dBFS."""
    noise = 3e-4 * np.random.default_rng(seed).standard_normal(sound.shape)
    return (sound + noise).astype(np.float32)


def add_dropout(sound: Samples, at: int, samples: int, depth_db: float, channels: slice) -> None:
    """Lower the level in place, with fades of 3 ms."""
    edge = min(RATE_HZ * 3 // 1000, samples // 3)
    down = np.ones(samples)
    down[:edge] = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
    down[-edge:] = down[:edge][::-1]
    gain = (10 ** (-depth_db / 20 * down)).astype(np.float32)
    sound[at : at + samples, channels] *= gain[:, None]


def with_dropouts(
    sound: Samples, rng: np.random.Generator, count: int
) -> tuple[Samples, list[AddedDropout]]:
    """Add dropouts to one channel or the other, at random."""
    given = sound.copy()
    added = []
    for begin, end in pairwise(np.linspace(RATE_HZ, len(sound) - RATE_HZ, count + 1).astype(int)):
        samples = int(RATE_HZ * np.exp(rng.uniform(np.log(0.012), np.log(0.3))))
        at, channel = int(rng.integers(begin, end - samples - 9_000)), int(rng.integers(2))
        depth_db = float(rng.uniform(8, 40))
        add_dropout(given, at, samples, depth_db, slice(channel, channel + 1))
        added.append(AddedDropout(channel, at / RATE_HZ, samples / RATE_HZ, depth_db))
    return given, added


@functools.cache
def music(kind: str) -> list[Samples]:
    """Return pieces with tape noise: of each kind that is made, or Debian's."""
    if kind == "made":
        return [on_tape(made_music(name, 30.0, RATE_HZ)) for name in KINDS]
    parts = [part_of(path, 10, 90) for path in real_music("singularity-music")]
    return [on_tape(part) for part in parts if len(part) > 20 * 48_000]


each_music = pytest.mark.parametrize("kind", with_debian_music(["made"], ["real"]))


@pytest.mark.thorough
@each_music
def test_dropouts_in_one_channel_of_music_are_found(kind: str) -> None:
    rng = np.random.default_rng(3)
    added = found = reported = 0
    for piece in music(kind):
        given, dropped = with_dropouts(piece, rng, len(piece) // RATE_HZ // 6)
        dropouts = dropouts_of(given)
        added += len(dropped)
        found += sum(bool(one.found_in(dropouts)) for one in dropped)
        reported += len(dropouts)
    print("found", found, "of", added, "reported", reported)
    assert added > (150 if kind == "real" else 20)
    assert found >= 0.65 * added  # some are masked where the difference of the channels varies
    assert reported - found <= 0.03 * added


@each_music
def test_music_has_few_dropouts(kind: str) -> None:
    minutes = sum(map(len, music(kind))) / RATE_HZ / 60
    assert minutes > (15 if kind == "real" else 2)
    assert sum(len(dropouts_of(piece)) for piece in music(kind)) / minutes < 0.2


def held_chord(rng: np.random.Generator, seconds: int) -> Samples:
    """Return steady tones with a little noise, panned differently."""
    time = np.arange(seconds * RATE_HZ) / RATE_HZ
    sound = 0.003 * rng.standard_normal((len(time), 2))
    for pitch_hz in (110.0, 277.2, 659.3, 1_480.0, 5_000.0):
        pan = rng.uniform(0.2, 0.8)
        sound += 0.08 * np.sin(2 * np.pi * pitch_hz * time)[:, None] * [pan, 1 - pan]
    return on_tape(sound.astype(np.float32))


@pytest.mark.parametrize(("length_s", "depth_db"), [(0.02, 12), (0.05, 8), (0.29, 20)])
def test_a_dropout_is_measured(length_s: float, depth_db: float) -> None:
    sound = held_chord(np.random.default_rng(4), 40)
    add_dropout(sound, 3 * RATE_HZ, round(length_s * RATE_HZ), depth_db, slice(1, 2))
    (dropout,) = dropouts_of(sound)
    assert dropout.channel == 1
    assert dropout.at_s == pytest.approx(3, abs=0.01)
    assert dropout.length_s == pytest.approx(length_s, abs=0.01)
    assert dropout.depth_db == pytest.approx(depth_db, abs=2)


def test_a_dropout_of_both_channels_takes_the_noise_too() -> None:
    sound = held_chord(np.random.default_rng(4), 20)
    add_dropout(sound, 9 * RATE_HZ, RATE_HZ // 10, 40, slice(None))
    assert [dropout.channel for dropout in dropouts_of(sound)] == [BOTH]


@functools.cache
def staccato_wave(seed: int, seconds: int) -> NDArray[np.float64]:
    """Return short notes and chords of equal loudness, with rests of 30 to 250 ms."""
    rng = np.random.default_rng(seed)
    wave = np.zeros(seconds * RATE_HZ)
    at = 0
    while at < len(wave) - RATE_HZ:
        samples = int(rng.uniform(0.08, 0.3) * RATE_HZ)
        time = np.arange(samples) / RATE_HZ
        note = sum(
            np.sin(2 * np.pi * pitch * partial * time) / partial
            for pitch in rng.choice([196.0, 261.6, 329.6, 392.0], 2)
            for partial in range(1, 25)
        )
        rise = np.minimum(time / 0.003, 1) * np.minimum((time[-1] - time) / 0.004, 1)
        wave[at : at + samples] = 0.1 * (note * rise)
        at += samples + int(rng.uniform(0.03, 0.25) * RATE_HZ)
    return wave


def staccato(seed: int, seconds: int, pan: float) -> Samples:
    """Return these notes, panned."""
    return (staccato_wave(seed, seconds)[:, None] * [pan, 1 - pan]).astype(np.float32)


@pytest.mark.thorough
def test_chopped_music_has_few_dropouts_in_one_channel() -> None:
    """Notes as long and as deep as several near: there were six."""
    found = dropouts_of(on_tape(gated_music(20.0, RATE_HZ, 465), 465))
    assert len(found) <= 1


def test_a_burst_of_dropouts_does_not_recur(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two a second, of any length and depth: none is left out as a note of chopped music."""
    rng = np.random.default_rng(12)
    sound = held_chord(rng, 20)
    for begin in RATE_HZ + (rng.random(36) * 0.3 + np.arange(36) * 0.5) * RATE_HZ:
        samples = int(RATE_HZ * np.exp(rng.uniform(np.log(0.012), np.log(0.06))))
        add_dropout(sound, int(begin), samples, float(rng.uniform(10, 30)), slice(0, 1))
    found = dropouts_of(sound)
    monkeypatch.setattr(dropout_meter, "_RECURS", 1000)
    assert len(found) > 24
    assert found == dropouts_of(sound)


@pytest.mark.thorough
@pytest.mark.parametrize("noise", [True, False], ids=["tape", "digital"])
@pytest.mark.parametrize("pan", [0.5, 0.7, 1.0])
def test_staccato_and_rests_are_not_dropouts(pan: float, noise: bool) -> None:
    sound = staccato(6, 60, pan)
    assert not dropouts_of(on_tape(sound) if noise else sound)


@pytest.mark.thorough
@pytest.mark.parametrize("noise", [True, False], ids=["tape", "digital"])
def test_rests_in_one_channel_are_not_dropouts(noise: bool) -> None:
    sound = staccato(6, 60, 1.0)
    sound[:, 1] = held_chord(np.random.default_rng(7), 60)[:, 1]
    assert not dropouts_of(on_tape(sound) if noise else sound)


def test_block_lengths_change_nothing() -> None:
    sound = held_chord(np.random.default_rng(4), 20)
    add_dropout(sound, 2 * RATE_HZ, 3_000, 15, slice(0, 1))
    whole = dropouts_of(sound)
    assert len(whole) == 1
    for length in (50, 333, 1 << 20):
        assert dropouts_of(sound, length=length) == whole


@pytest.mark.parametrize("rate_hz", [8_000, 48_000, 96_000, 192_000])
def test_at_any_rate(rate_hz: int) -> None:
    rng = np.random.default_rng(8)
    sound = (0.05 * rng.standard_normal((4 * rate_hz, 2))).astype(np.float32)
    sound[2 * rate_hz : 2 * rate_hz + rate_hz // 20, 0] *= 0.1
    (dropout,) = dropouts_of(sound, rate_hz)
    assert dropout.at_s == pytest.approx(2, abs=0.006)
    assert dropout.depth_db == pytest.approx(20, abs=1.5)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("samples", [0, 1, 300, 200_000])
@pytest.mark.parametrize("size", [0.0, 1.0])
def test_odd_sound_has_none(samples: int, size: float) -> None:
    swing = np.sign(np.sin(np.arange(samples) * 0.01))[:, None] * [size, size]
    assert not dropouts_of(swing.astype(np.float32))
