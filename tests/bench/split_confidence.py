"""The confidence of split's cuts against known cuts: python tests/bench/split_confidence.py

Not a test: makes sides with known cuts, of songs made by code and of real music (Debian's
singularity-music and asc-music), fits the weights of `assembler/transfers/confidence.py` on half of
them, and prints how often cuts of each confidence are right on the other half. Takes an hour on one
core; a number as argument makes so many sides of each sort (40 if none is given).
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parents[1]))
from outside import real_music
from restoration.known_sides import known_side

from assembler.restoration.split.confidence import WEIGHTS, Signs, confidence_of
from assembler.restoration.split.restored_programme import read_programme
from assembler.restoration.split.split import propose_songs

FIRST_SEED, SIDES = 4000, 40
EDGES = (0.0, 0.3, 0.6, 0.8, 0.9, 0.95, 1.0)
Found = list[tuple[Signs, bool]]


def found_on(seed: int, pieces: list[Path]) -> Found:
    """Split a side; return the signs of each cut and whether it is within half a second."""
    side = known_side(seed, pieces)
    songs = propose_songs(read_programme([side.samples], side.rate_hz), len(side.begins)).songs
    found: Found = []
    for song, begins, ends in zip(songs, side.begins, side.ends, strict=False):
        found.append((song.begin.signs, begins.holds(song.start_s)))
        found.append((song.end.signs, ends.holds(song.end_s)))
    return found


def fitted(found: Found, kind: str) -> list[float]:
    """Fit the weights of a kind of cut, held small by a weak prior."""
    signs = np.array([signs.weighed for signs, _ in found if signs.kind == kind])
    right = np.array([float(holds) for signs, holds in found if signs.kind == kind])

    def cost(weights: np.ndarray) -> float:
        odds = signs @ weights
        misses = np.logaddexp(0, -odds) @ right + np.logaddexp(0, odds) @ (1 - right)
        return float(misses + 0.5 * np.square(weights[1:]).sum())

    return [round(float(w), 2) for w in minimize(cost, np.zeros(signs.shape[1])).x]


def print_table(found: Found) -> None:
    """Print how often cuts of each confidence are right."""
    print("confidence    cuts   mean   within 0.5 s")
    told = [(confidence_of(signs), holds) for signs, holds in found]
    for low, high in [*pairwise(EDGES), (0.9, 1.0)]:
        part = [pair for pair in told if low <= pair[0] < high]
        mean, right = (f"{m:.3f}" for m in np.mean(part, axis=0)) if part else ("-", "-")
        print(f"{low:.2f} to {high:.2f} {len(part):5d}  {mean}  {right}")


def main() -> None:
    """Fit, and print weights and table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else SIDES
    pieces = real_music("singularity-music") + real_music("asc-music")
    halves: tuple[Found, Found] = ([], [])
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        for songs in ([], pieces):
            halves[seed % 2].extend(found_on(seed, songs))
    for kind in WEIGHTS:
        print(kind, fitted(halves[0], kind))
    print("with the weights of the program, on the other half:")
    print_table(halves[1])


if __name__ == "__main__":
    main()
