"""Wow found, left and corrected, and the tuning of music: python tests/bench/wow.py [--whole]

Not a test: prints, for a minute of each piece of Debian's singularity-music and asc-music and for
music made by code, how often cyclic wow is found with its rate, how much of it a correction leaves,
how often steady music is taken for wow, and how exactly a known detuning is read. With --whole,
steady pieces are read from end to end. It runs for some minutes.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1]))
from made_music import KINDS, made_music
from outside import real_music
from restoration.wowed import ahead_s, with_wow

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.partials import PartialMeter, Partials
from assembler.restoration.analysis.tuning import tuning_of
from assembler.restoration.analysis.wow import WowReading, wow_of

Piece = tuple[str, Samples, int]
LENGTH_S, START_S = 60, 20
WOWS = ((0.3, 0.556), (0.3, 1.3), (0.3, 2.7), (0.3, 5.0), (0.1, 0.556), (0.1, 1.3))
"""Percent and Hz: records at 33⅓ and 78 rpm, idlers, a capstan."""
DETUNED_CENTS = (-13.0, 8.0)
TAPE_CENTS = 1200 * np.log2(48_000 / 44_100) % 100
"""Some pieces were made at 44.1 kHz and play at 48 kHz."""


def partials_of(sound: Samples, rate_hz: int) -> Partials:
    """Return the partials of a sound."""
    meter = PartialMeter(rate_hz)
    for first in range(0, len(sound), 1 << 17):
        meter.feed(np.ascontiguousarray(sound[first : first + (1 << 17)]))
    return meter.reading()


def real_pieces(*, whole: bool) -> list[Piece]:
    """Return a minute of each piece of Debian's, or all of it."""
    pieces = []
    for path in real_music("singularity-music") + real_music("asc-music"):
        sound, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
        first = min(START_S * rate_hz, max(0, len(sound) - LENGTH_S * rate_hz))
        own = sound if whole else sound[first : first + LENGTH_S * rate_hz]
        pieces.append((path.stem, np.ascontiguousarray(own), rate_hz))
    return pieces


def left_of(found: WowReading, percent: float, hz: float, length_s: float) -> float:
    """Return the share of the wow that a correction leaves."""
    assert found.cyclic is not None
    times_s = np.arange(2, length_s - 2, 0.01)
    true, read = ahead_s(times_s, percent, hz), found.cyclic.ahead_s(times_s)
    return float((read - true).std() / true.std())


def print_wow(sort: str, pieces: list[Piece]) -> None:
    """Print how often each wow is found within 3 % of its rate, and what a correction leaves."""
    for percent, hz in WOWS:
        found = []
        for _, sound, rate_hz in pieces:
            partials = partials_of(with_wow(sound, rate_hz, percent, hz), rate_hz)
            found.append((wow_of(partials), len(sound) / rate_hz))
        right = [one for one in found if one[0].cyclic and abs(one[0].cyclic.hz / hz - 1) < 0.03]
        wrong = sum(one.cyclic is not None for one, _ in found) - len(right)
        left = [left_of(one, percent, hz, long_s) for one, long_s in right if not one.refusal]
        depth = [one.percent for one, _ in right]
        print(
            f"{sort}: {percent} % at {hz} Hz: found in {len(right)} of {len(pieces)}, as "
            f"{np.median(depth):.2f} %, at a wrong rate in {wrong}; corrected {len(left)}, "
            f"leaving {np.median(left):.2f} (at most {max(left):.2f})",
            flush=True,
        )


def print_steady(sort: str, pieces: list[Piece]) -> None:
    """Print in which steady pieces wow is found."""
    names = [name for name, *sound in pieces if wow_of(partials_of(*sound)).cyclic]
    print(f"{sort}, steady: wow found in {len(names)} of {len(pieces)} {names}", flush=True)


def print_tuning(pieces: list[Piece]) -> None:
    """Print how exactly a detuning is read, against A = 440 Hz or that at 48/44.1 of its speed."""
    from assembler.restoration.repair.speed import change_speed

    for cents in (0.0, *DETUNED_CENTS):
        off, unknown = [], 0
        for _, sound, rate_hz in pieces:
            factor = 2 ** (cents / 1200)
            moved = np.concatenate(list(change_speed(iter([sound]), rate_hz, factor)))
            read = tuning_of(partials_of(moved, rate_hz)).cents
            if read is None:
                unknown += 1
                continue
            steps = np.array([read - cents, read - cents - TAPE_CENTS])
            off.append(float(np.abs((steps + 50) % 100 - 50).min()))
        print(
            f"tuning moved by {cents:+.0f} cents: read in {len(off)}, not determined in {unknown}; "
            f"within 5 cents in {sum(one <= 5 for one in off)}, most off by {max(off):.1f}",
            flush=True,
        )


def main() -> None:
    """Measure, and print."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--whole", action="store_true")
    whole = arguments.parse_args().whole
    real = real_pieces(whole=whole)
    made = [(kind, made_music(kind, 60.0), 48_000) for kind in KINDS]
    print_steady("real music", real)
    print_steady("made music", made)
    if not whole:
        print_wow("real music", real)
        print_wow("made music", [piece for piece in made if piece[0] in ("dense", "plucked")])
        print_tuning(real)


if __name__ == "__main__":
    main()
