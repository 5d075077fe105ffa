"""Songs found on 20 sides joined from real music, given their number.

The true cuts are known before noise is added, from the level of each song in steps of 10 ms. A
start is never later than the first lasting sound (50 ms, most of them as loud as the noise), and at
most 100 ms before the first step that is as loud as the noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from long_runs import series
from numpy.lib.stride_tricks import sliding_window_view
from outside import real_music
from scipy import signal

from assembler.dsp.blocks import Samples
from assembler.restoration.split.restored_programme import read_programme
from assembler.restoration.split.split import Song, propose_songs

pytestmark = pytest.mark.thorough

RATE_HZ = 48_000
STEP = RATE_HZ // 100
HIGH_PASS = signal.butter(2, 25, "high", fs=RATE_HZ, output="sos")
"""Some pieces have DC offset, which would click at a cut."""
SIDES = series(20, 10)
FAULTY_AT_MOST = SIDES // 10


@dataclass(frozen=True)
class Truth:
    """Where a joined song is audible, in seconds of the side."""

    any_sound_s: float
    lasting_sound_s: float
    ten_db_over_s: float


def level_db(samples: Samples) -> float:
    return float(10 * np.log10(np.mean(np.square(samples, dtype=np.float64))))


def excerpt(path: Path, rng: np.random.Generator) -> Samples:
    """Return 20 to 60 s with the piece's own end, or with a fade-out of 0.5 to 8 s."""
    with soundfile.SoundFile(str(path)) as file:
        frames = int(min(rng.uniform(20, 60) * file.samplerate, file.frames))
        natural = bool(rng.random() < 0.4)
        last = file.frames - frames
        file.seek(last if natural else int(rng.integers(last + 1)))
        samples = file.read(frames, dtype="float32", always_2d=True)
    if file.samplerate != RATE_HZ:
        samples = soxr.resample(samples, file.samplerate, RATE_HZ)
    settled = signal.sosfilt_zi(HIGH_PASS)[:, :, None] * samples[0]
    samples = signal.sosfilt(HIGH_PASS, samples, axis=0, zi=settled)[0].astype(np.float32)
    begin = np.linspace(0, 1, round(rng.uniform(0.002, 0.02) * RATE_HZ), dtype=np.float32)
    samples[: len(begin)] *= begin[:, None]
    if not natural:
        fade = np.linspace(1, 0, round(rng.uniform(0.5, 8) * RATE_HZ), dtype=np.float32)
        samples[-len(fade) :] *= (fade ** rng.choice([1, 3]))[:, None]
    return samples


def truth_of(song: Samples, at: int, noise_db: float) -> Truth:
    steps = song[: len(song) // STEP * STEP].reshape(-1, STEP * 2)
    levels_db = 10 * np.log10(
        np.maximum(np.mean(np.square(steps, dtype=np.float64), axis=1), 1e-14)
    )
    lasting = np.median(sliding_window_view(levels_db, 5), axis=1)
    return Truth(
        any_sound_s=at / RATE_HZ + np.argmax(levels_db >= noise_db) * 0.01,
        lasting_sound_s=at / RATE_HZ + np.argmax(lasting >= noise_db) * 0.01,
        ten_db_over_s=at / RATE_HZ + np.flatnonzero(levels_db >= noise_db + 10)[-1] * 0.01 + 0.01,
    )


def joined(pieces: list[Path], seed: int) -> tuple[Samples, list[Truth]]:
    """Join 3 to 6 songs with levels more than 20 dB apart, with gaps of 1 to 6 s and noise."""
    rng = np.random.default_rng(seed)
    noise_db = rng.uniform(-75, -48)
    count = int(rng.integers(3, 7))
    levels_db = rng.uniform(-20, -14) - rng.permutation(np.linspace(0, rng.uniform(20, 24), count))
    noise = rng.standard_normal((20 * RATE_HZ, 2), dtype=np.float32)
    noise *= np.float32(10 ** ((noise_db - level_db(noise)) / 20))
    parts, truths, at = [], [], 0
    for wanted_db in levels_db:
        gap = int(rng.uniform(1, 6) * RATE_HZ)
        song = excerpt(pieces[rng.integers(len(pieces))], rng)
        gain = 10 ** ((wanted_db - level_db(song)) / 20)
        song *= np.float32(min(gain, 0.98 / np.abs(song).max()))
        truths.append(truth_of(song, at + gap, noise_db))
        parts += [np.zeros((gap, 2), np.float32), song]
        at += gap + len(song)
    side = np.concatenate([*parts, np.zeros((RATE_HZ, 2), np.float32)])
    for start in range(0, len(side), len(noise)):
        part = side[start : start + len(noise)]
        part += np.roll(noise, int(rng.integers(len(noise))), axis=0)[: len(part)]
    return side, truths


def fault(song: Song, truth: Truth) -> str | None:
    """Return the fault of a song's cuts, if any."""
    if song.start_s > truth.lasting_sound_s:
        return f"begins at {song.start_s:.2f}, late: {truth}"
    if song.start_s < truth.any_sound_s - 0.1:
        return f"begins at {song.start_s:.2f}, early: {truth}"
    if song.end_s < truth.ten_db_over_s:
        return f"ends at {song.end_s:.2f}, early: {truth}"
    return None


@pytest.mark.debian_music
def test_songs_of_sides_of_real_music() -> None:
    pieces = real_music("singularity-music") + real_music("asc-music")
    faults: dict[int, list[str]] = {}
    for seed in range(SIDES):
        side, truths = joined(pieces, seed)
        songs = propose_songs(read_programme([side], RATE_HZ), len(truths)).songs
        assert len(songs) == len(truths)
        found = [fault(song, truth) for song, truth in zip(songs, truths, strict=True)]
        if wrong := [line for line in found if line]:
            faults[seed] = wrong
    assert len(faults) <= FAULTY_AT_MOST, faults
