"""Clicks found, and percussion mistaken for clicks: python tests/bench/clicks.py

Not a test: prints how many of 220 hits of each instrument are repaired as clicks, alone over tape
noise and over strings, the recall of clicks added to music and the false alarms without them, and
the recall and repair of bursts and of thumps after them. Music is made by code, and Debian's
singularity-music and asc-music. Takes some minutes.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1]))
from made_music import made_music
from outside import real_music
from percussion import HITS, INSTRUMENTS, played
from restoration.added_clicks import RATE_HZ, Damaged, damaged
from restoration.added_thumps import with_thumps

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.clicks import ClickMeter, ClickReading
from assembler.restoration.repair.clicks import declick

SETS = range(900, 902)
"""Seeds of the judging; choices were made on lower ones."""
STRENGTHS = (5.0,)
BURSTS_MS = (3.0, 4.0, 5.0)
CALM = ("plucked", "strings", "speech")


def reading_of(sound: Samples, strength: float, rate_hz: int = RATE_HZ) -> ClickReading:
    """Read the clicks of a sound."""
    meter = ClickMeter(rate_hz, strength)
    meter.feed(sound)
    return meter.reading()


def hits_removed(name: str, seed: int, bed_db: float | None, strength: float) -> int:
    """Return how many hits have a click found in them, over noise or over strings at a level."""
    sound, places = played(name, RATE_HZ, seed)
    sound += 3e-4 * np.random.default_rng(seed).standard_normal(sound.shape)
    if bed_db is not None:
        strings = made_music("strings", 20.0, RATE_HZ, seed)
        sound += 10 ** (bed_db / 20) * np.resize(strings, sound.shape)
    clicks = reading_of(sound.astype(np.float32), strength).clicks
    starts = np.array([click.start_sample for click in clicks])
    return sum(bool(np.any(abs(starts - place) < RATE_HZ // 20)) for place in places)


def recall(pieces: list[Damaged], strength: float) -> float:
    """Return the share of added clicks that are found."""
    found = [
        click.is_one_of(clicks)
        for piece in pieces
        for clicks in [reading_of(piece.clicked, strength).clicks]
        for click in piece.added
    ]
    return sum(found) / len(found)


def real_pieces() -> list[Samples]:
    """Return a minute of each piece of Debian's."""
    pieces = []
    for path in real_music("singularity-music") + real_music("asc-music"):
        sound, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
        if rate_hz >= RATE_HZ and sound.shape[1] == 2 and len(sound) > 30 * rate_hz:
            pieces.append(np.ascontiguousarray(sound[20 * rate_hz : 80 * rate_hz]))
    return pieces


def print_percussion(strength: float) -> None:
    """Print the hits removed of each instrument; strings at 0 dB are about as loud as the hits."""
    print(f"strength {strength:g}: hits removed of {HITS}, sets {[*SETS]}")
    for name in INSTRUMENTS:
        for bed_db in (None, -12.0, 0.0):
            counts = [hits_removed(name, seed, bed_db, strength) for seed in SETS]
            place = "over noise" if bed_db is None else f"strings at {bed_db:+.0f} dB"
            print(f"  {name:10} {place:18} {counts}", flush=True)


def print_clicks(sort: str, music: list[Samples], strength: float) -> None:
    """Print the recall of added clicks, and the false alarms of the music itself."""
    rng = np.random.default_rng(SETS[0])
    pieces = [damaged(sound[: 20 * RATE_HZ], rng, 40) for sound in music]
    minutes = sum(map(len, music)) / RATE_HZ / 60
    false = sum(reading_of(sound, strength).count for sound in music)
    print(
        f"{sort} music, strength {strength:g}: recall {recall(pieces, strength):.3f} of "
        f"{40 * len(pieces)}; without clicks {false / minutes:.2f} per minute",
        flush=True,
    )


def print_bursts(sort: str, music: list[Samples], strength: float) -> None:
    """Print the recall of added bursts, and the median gain in SNR by their repair."""
    for burst_ms in BURSTS_MS:
        rng = np.random.default_rng([SETS[0], round(burst_ms)])
        pieces = [damaged(sound[: 20 * RATE_HZ], rng, 30, burst_ms) for sound in music]
        gains = [
            gain
            for piece in pieces
            for gain in piece.gains_db(
                np.concatenate([*declick([piece.clicked], RATE_HZ, strength)])
            )
        ]
        print(
            f"{sort} music, bursts of {burst_ms:g} ms: recall {recall(pieces, strength):.3f} of "
            f"{len(gains)}; SNR {np.median(gains):+.1f} dB in the middle, worse by 1 dB in "
            f"{np.mean(np.array(gains) < -1):.3f}",
            flush=True,
        )


def print_thumps(sort: str, music: list[Samples], strength: float) -> None:
    """Print the recall and the repair of added thumps, and those found after bursts without any."""
    found, gains, false, bursts = [], [], 0, 0
    rng = np.random.default_rng(SETS[0])
    for sound in music:
        piece = with_thumps(0.2 * sound[: 30 * RATE_HZ], rng, 7)
        clicks = reading_of(piece.thumped, strength).clicks
        thumps = tuple(click for click in clicks if click.thump_peak)
        found += [click.is_one_of(thumps) for click in piece.added]
        gains += piece.gains_db(np.concatenate([*declick([piece.thumped], RATE_HZ, strength)]))
        bare = with_thumps(0.2 * sound[: 30 * RATE_HZ], rng, 10, only_bursts=True)
        reading = reading_of(bare.thumped, strength)
        bursts += reading.count
        false += len(reading.thump_peaks) + len(reading_of(sound, strength).thump_peaks)
    print(
        f"{sort} music, thumps: recall {np.mean(found):.3f} of {len(found)}; SNR "
        f"{np.median(gains):+.1f} dB in the middle, worse by 1 dB in "
        f"{np.mean(np.array(gains) < -1):.3f}; without thumps {false} found after {bursts} clicks",
        flush=True,
    )


def main() -> None:
    """Measure, and print."""
    made = [made_music(kind, 30.0, RATE_HZ, seed) for kind in CALM for seed in SETS]
    for strength in STRENGTHS:
        print_percussion(strength)
        print_clicks("made", made, strength)
        print_clicks("real", real := real_pieces(), strength)
        print_bursts("made", made, strength)
        print_bursts("real", real, strength)
        print_thumps("made", made, strength)
        print_thumps("real", real, strength)


if __name__ == "__main__":
    main()
