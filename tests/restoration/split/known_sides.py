"""Make sides with known cuts: quiet openings, fades, hum, hiss, talk, segues and short gaps.

Songs are made by code or are excerpts of real music. The true cuts are known before hum and hiss
are added: a song starts where its own sound reaches the hiss, and ends where it falls below it. In
a slow fade that place is not exact, so each true cut is a range, from 12 dB below the hiss to the
hiss itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
from made_music import made_music, speech, times
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import signal

from assembler.dsp.blocks import Samples

Wave = NDArray[np.float64]
Generator = np.random.Generator

FIRST_TESTED = 4080
"""Seeds from here on are the tests'; those below are fitted on, or held back, by
`tests/bench/split_confidence.py`."""
RATE_HZ = 24_000
SONGS = ("plucked", "strings", "drums", "dense")
PIECE_S = 70.0
STEP_S = 0.01
UNDER_HISS_DB = 12.0
STARTS_UNDER_DB, ENDS_UNDER_DB = 3.0, 0.0
TOLERANCE_S = 0.5


@dataclass(frozen=True)
class KnownCut:
    """Start or end of a song: from the earliest to the latest place that is right."""

    from_s: float
    to_s: float
    kind: str

    def error_s(self, at_s: float) -> float:
        """Return the error of a cut in seconds: negative if early."""
        return at_s - min(max(at_s, self.from_s), self.to_s)

    def holds(self, at_s: float) -> bool:
        """Return whether a cut is within half a second."""
        return abs(self.error_s(at_s)) <= TOLERANCE_S


@dataclass(frozen=True)
class KnownSide:
    """A side with its true cuts."""

    samples: Samples
    rate_hz: int
    begins: tuple[KnownCut, ...]
    ends: tuple[KnownCut, ...]


def amplitude(db: float) -> float:
    return float(10 ** (db / 20))


def level_db(wave: NDArray[np.floating]) -> float:
    return float(10 * np.log10(np.mean(np.square(wave, dtype=np.float64)) + 1e-20))


def excerpt(path: Path, rng: Generator, length_s: float, rate_hz: int) -> Wave:
    """Return an excerpt of a piece from its beginning, its middle or up to its end."""
    with soundfile.SoundFile(str(path)) as file:
        frames = min(round(length_s * file.samplerate), file.frames)
        last = file.frames - frames
        file.seek(int(rng.choice([0, last, rng.integers(last + 1)])))
        samples = file.read(frames, dtype="float32", always_2d=True)
    if samples.shape[1] == 1:
        samples = np.repeat(samples, 2, axis=1)
    if file.samplerate != rate_hz:
        samples = soxr.resample(samples, file.samplerate, rate_hz)
    high_pass = signal.butter(2, 25, "high", fs=rate_hz, output="sos")
    settled = signal.sosfilt_zi(high_pass)[:, :, None] * samples[0]
    return np.asarray(signal.sosfilt(high_pass, samples, axis=0, zi=settled)[0], np.float64)


def _made_excerpt(rng: Generator, length_s: float) -> Wave:
    piece = made_music(str(rng.choice(SONGS)), PIECE_S, RATE_HZ, int(rng.integers(2)))
    length = round(length_s * RATE_HZ)
    begin = int(rng.integers(len(piece) - length + 1))
    return piece[begin : begin + length].astype(np.float64)


def _opened(rng: Generator, song: Wave, rate_hz: int, hiss_db: float) -> str:
    """Change the opening of a song: abrupt, faded in, or quiet for some seconds; return which."""
    song[: rate_hz // 200] *= np.linspace(0, 1, rate_hz // 200)[:, None]
    kind = str(rng.choice(["hard", "quiet", "fade in"], p=[0.45, 0.4, 0.15]))
    if kind == "fade in":
        fade = np.linspace(0, 1, round(rng.uniform(0.3, 4) * rate_hz)) ** rng.choice([1, 2])
        song[: len(fade)] *= fade[:, None]
    elif kind == "quiet":
        length = round(rng.uniform(1, 6) * rate_hz)
        wanted_db = hiss_db + rng.uniform(-2, 15)
        gain = amplitude(min(wanted_db - level_db(song[:length]), -6))
        over = round(rng.uniform(0.01, 1) * rate_hz)
        curve = np.concatenate((np.full(length, gain), np.geomspace(gain, 1, over)))
        song[: len(curve)] *= curve[:, None]
    return kind


def _closed(rng: Generator, song: Wave, rate_hz: int) -> str:
    """Change the ending of a song: short, faded out, or ringing out; return which."""
    kind = str(rng.choice(["short", "fade out", "ring out"], p=[0.3, 0.4, 0.3]))
    lengths_s = {"short": 0.02, "fade out": rng.uniform(1, 10), "ring out": rng.uniform(1, 4)}
    x = np.linspace(1, 0, round(lengths_s[kind] * rate_hz))
    if kind == "ring out":
        curve = np.exp(-7 * (1 - x)) * np.minimum(x * 20, 1)
    else:
        curve = x ** rng.choice([1, 2, 3])
    song[-len(curve) :] *= curve[:, None]
    return kind


def _hum(rng: Generator, frames: int, rate_hz: int, hiss_db: float) -> Wave:
    """Return a hum of some harmonics, up to 25 dB above the hiss."""
    hz = float(rng.choice([50, 60])) * rng.uniform(0.985, 1.015)
    falling = rng.uniform(0.3, 1.2)
    numbers = np.arange(1, int(rng.integers(4, 14)))
    sizes = np.zeros((len(numbers), 2), np.complex128)
    for number in numbers:
        size = rng.uniform(0.3, 1) / number**falling * np.exp(1j * rng.uniform(0, 6))
        sizes[number - 1] = size * rng.uniform(0.6, 1, 2)
    angles = 2 * np.pi * hz * numbers
    turns = angles * times(1, rate_hz)[:, None]
    each_s = np.exp(1j * angles * np.arange(frames // rate_hz + 1)[:, None])[:, :, None] * sizes
    waves = np.hstack((np.cos(turns), np.sin(turns))) @ np.hstack((each_s.imag, each_s.real))
    wave = waves.reshape(-1, 2)[:frames]
    t = np.arange(frames) / rate_hz
    wave *= (1 + 0.03 * np.sin(2 * np.pi * t / rng.uniform(20, 90)))[:, None]
    return wave * amplitude(hiss_db + rng.uniform(3, 25) - level_db(wave))


def _hiss(rng: Generator, frames: int, hiss_db: float) -> Wave:
    noise = rng.standard_normal((frames, 2))
    if rng.random() < 0.5:
        noise = signal.lfilter([1], [1, -rng.uniform(0.2, 0.7)], noise, axis=0)
    return noise * amplitude(hiss_db - level_db(noise))


def _levels_db(song: Wave, rate_hz: int) -> Wave:
    step = round(STEP_S * rate_hz)
    steps = song[: len(song) // step * step].reshape(-1, step * 2)
    return np.asarray(10 * np.log10(np.mean(np.square(steps), axis=1) + 1e-14))


def _true_cuts(
    song: Wave, at_s: float, rate_hz: int, hiss_db: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the earliest and latest true place of a song's start, and of its end."""
    levels_db = _levels_db(song, rate_hz)
    lasting = np.median(sliding_window_view(np.pad(levels_db, 2, mode="edge"), 5), axis=1)
    under = np.flatnonzero(levels_db >= hiss_db - UNDER_HISS_DB)
    begins = np.flatnonzero(lasting >= hiss_db - STARTS_UNDER_DB)
    ends = np.flatnonzero(lasting >= hiss_db - ENDS_UNDER_DB)
    return (
        (at_s + under[0] * STEP_S, at_s + max(begins[0], under[0]) * STEP_S),
        (at_s + (ends[-1] + 1) * STEP_S, at_s + (under[-1] + 1) * STEP_S),
    )


class _Tape:
    """Songs and talk at their places, with the true cuts."""

    def __init__(self, rng: Generator, hiss_db: float) -> None:
        self.rng, self.hiss_db = rng, hiss_db
        self.at = round(rng.uniform(0.5, 6) * RATE_HZ)
        self.placed: list[tuple[int, Wave]] = []
        self.begins: list[KnownCut] = []
        self.ends: list[KnownCut] = []
        self._join = ""

    def add(self, song: Wave, body_db: float, *, last: bool) -> None:
        """Add a song with its opening and ending, and the gap after it."""
        rng, joined = self.rng, self._join
        gaps = ["gap", "short gap", "talk", "segue", "crossfade"]
        gap = str(rng.choice(gaps, p=[0.5, 0.2, 0.14, 0.08, 0.08]))
        gap = "gap" if last else gap
        opening = joined if joined == "segue" else _opened(rng, song, RATE_HZ, self.hiss_db)
        closing = gap if gap == "segue" else _closed(rng, song, RATE_HZ)
        at_s = self.at / RATE_HZ
        begin, end = _true_cuts(song, at_s, RATE_HZ, self.hiss_db)
        if joined in ("segue", "crossfade"):
            before = self.ends[-1]
            middle = (begin[0] + before.to_s) / 2 if joined == "crossfade" else at_s
            places: tuple[float, ...] = (begin[0], before.from_s, before.to_s, middle)
            if joined == "segue":
                places = (begin[0], before.to_s, middle)
            self.ends[-1] = KnownCut(min(places), max(places), joined)
            self.begins.append(self.ends[-1])
        else:
            self.begins.append(
                KnownCut(*begin, f"{opening} after talk" if joined == "talk" else opening)
            )
        self.ends.append(KnownCut(*end, f"{closing} before talk" if gap == "talk" else closing))
        self.placed.append((self.at, song))
        self.at += len(song)
        self._join = gap
        self._leave(gap, body_db)

    def _leave(self, gap: str, body_db: float) -> None:
        """Add a gap of a kind, or talk in it."""
        rng = self.rng
        if gap == "gap":
            self.at += round(rng.uniform(1, 6) * RATE_HZ)
        elif gap == "short gap":
            self.at += round(rng.uniform(0.3, 1) * RATE_HZ)
        elif gap == "crossfade":
            self.at -= round(rng.uniform(1, 3) * RATE_HZ)
        elif gap == "talk":
            talk = speech(float(rng.uniform(2, 10)), RATE_HZ, rng)
            wanted_db = max(body_db - rng.uniform(8, 25), self.hiss_db + 8)
            talk *= amplitude(wanted_db - level_db(talk))
            self.at += round(rng.uniform(0.8, 3) * RATE_HZ)
            self.placed.append((self.at, talk))
            self.at += len(talk) + round(rng.uniform(0.6, 2) * RATE_HZ)


def known_side(seed: int, pieces: Sequence[Path] = ()) -> KnownSide:
    """Return a side of songs made by code, or of excerpts if there are pieces."""
    rng = np.random.default_rng(seed)
    tape = _Tape(rng, rng.uniform(-72, -52))
    count = int(rng.integers(3, 7))
    bodies_db = rng.uniform(-20, -15) - rng.permutation(np.linspace(0, rng.uniform(3, 14), count))
    for number, body_db in enumerate(bodies_db):
        length_s = float(rng.uniform(20, 55))
        if pieces:
            song = excerpt(pieces[int(rng.integers(len(pieces)))], rng, length_s, RATE_HZ)
        else:
            song = _made_excerpt(rng, length_s)
        song *= min(amplitude(body_db - level_db(song)), 0.9 / float(np.abs(song).max()))
        tape.add(song, body_db, last=number == count - 1)
    place, song = tape.placed[-1]
    frames = place + len(song) + round(rng.uniform(0.5, 5) * RATE_HZ)
    side = _hiss(rng, frames, tape.hiss_db)
    for place, sound in tape.placed:
        side[place : place + len(sound)] += sound
    if rng.random() < 0.6:
        side += _hum(rng, frames, RATE_HZ, tape.hiss_db)
    side += rng.uniform(-0.003, 0.003, 2)
    for click in rng.integers(0, frames - 20, int(rng.integers(0, 12))):
        side[click : click + 8] += rng.choice([-1, 1]) * rng.uniform(0.02, 0.3)
    return KnownSide(side.astype(np.float32), RATE_HZ, tuple(tape.begins), tuple(tape.ends))
