"""The confidence of split's cuts against known cuts: python tests/bench/split_confidence.py

Not a test: makes sides with known cuts, of songs made by code and of real music (Debian's
singularity-music and asc-music), and prints how often cuts of each confidence are within half a
second, on sides that the weights of `assembler/restoration/split/confidence.py` were not fitted
on. With `--fit` it fits the weights first. Takes some five minutes on two cores.

Seeds are consecutive, so that none is selected by its result: the weights were fitted on `FITTED`
and checked on `HELD_BACK`; the tests use the seeds after them (`FIRST_TESTED`). Each seed makes two
sides, one of each sort. If the weights are fitted again after `HELD_BACK` was used, advance all
three to the next seeds.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).parents[1]))
from outside import real_music
from restoration.split.known_sides import FIRST_TESTED, known_side

from assembler.restoration.split.confidence import HIGH, WEIGHTS, CutFeatures, confidence_of
from assembler.restoration.split.restored_programme import read_programme
from assembler.restoration.split.split import propose_songs

FITTED = range(4000, 4040)
HELD_BACK = range(4040, FIRST_TESTED)
EDGES = (0.0, 0.3, 0.6, 0.8, 0.9, 0.95, 1.0)
SORTS = ("made", "real")
Found = list[tuple[CutFeatures, bool]]


def found_on(seed: int, sort: str) -> Found:
    """Split a side; return the features of each cut and whether it is within half a second."""
    pieces = real_music("singularity-music") + real_music("asc-music") if sort == "real" else []
    side = known_side(seed, pieces)
    songs = propose_songs(read_programme([side.samples], side.rate_hz), len(side.begins)).songs
    found: Found = []
    for song, begins, ends in zip(songs, side.begins, side.ends, strict=True):
        found.append((song.begin.features, begins.holds(song.start_s)))
        found.append((song.end.features, ends.holds(song.end_s)))
    return found


def all_found(seeds: range) -> dict[str, list[Found]]:
    """Split the sides of all seeds; return what is found on each side of a sort."""
    with ProcessPoolExecutor(2) as pool:
        jobs = {sort: [pool.submit(found_on, seed, sort) for seed in seeds] for sort in SORTS}
        return {sort: [job.result() for job in jobs[sort]] for sort in SORTS}


def fitted(found: Found, kind: str) -> list[float]:
    """Fit the weights of a kind of cut, held small by a weak prior."""
    features = np.array([features.regressors for features, _ in found if features.kind == kind])
    right = np.array([float(holds) for features, holds in found if features.kind == kind])

    def cost(weights: np.ndarray) -> float:
        odds = features @ weights
        misses = np.logaddexp(0, -odds) @ right + np.logaddexp(0, odds) @ (1 - right)
        return float(misses + 0.5 * np.square(weights[1:]).sum())

    return [round(float(w), 2) for w in minimize(cost, np.zeros(features.shape[1])).x]


def print_table(sides: list[Found]) -> None:
    """Print how often cuts of each confidence are right, with the exact 95 % bounds of a share."""
    cuts = [(confidence_of(features), holds) for side in sides for features, holds in side]
    print(f"{len(sides)} sides, {len(cuts)} cuts")
    print("confidence    cuts   mean   within 0.5 s")
    for low, high in [*pairwise(EDGES), (HIGH, 1.0)]:
        part = [pair for pair in cuts if low <= pair[0] < high]
        if not part:
            print(f"{low:.2f} to {high:.2f}     0      -  -")
            continue
        mean, right = np.mean(part, axis=0)
        hits = round(right * len(part))
        least = beta.ppf(0.025, hits, len(part) - hits + 1) if hits else 0.0
        most = beta.ppf(0.975, hits + 1, len(part) - hits) if hits < len(part) else 1.0
        bounds = f"{right:.3f}  ({least:.3f} to {most:.3f})"
        print(f"{low:.2f} to {high:.2f} {len(part):5d}  {mean:.3f}  {bounds}")
    shares = [np.mean([confidence_of(features) >= HIGH for features, _ in side]) for side in sides]
    print(f"high on a side: {np.mean(shares):.2f} of its cuts, deviation {np.std(shares):.2f}\n")


def main() -> None:
    """Fit with `--fit`, and print weights and tables."""
    if "--fit" in sys.argv[1:]:
        sides = all_found(FITTED)
        found = [cut for sort in SORTS for side in sides[sort] for cut in side]
        WEIGHTS.update({kind: tuple(fitted(found, kind)) for kind in WEIGHTS})
        print(f"weights fitted on seeds {FITTED.start} to {FITTED.stop - 1}, and how they fit:")
        for kind, weights in WEIGHTS.items():
            print(kind, weights)
        print_table([side for sort in SORTS for side in sides[sort]])
    sides = all_found(HELD_BACK)
    print(f"held back, seeds {HELD_BACK.start} to {HELD_BACK.stop - 1}: all, made, real")
    for part in (sides["made"] + sides["real"], sides["made"], sides["real"]):
        print_table(part)


if __name__ == "__main__":
    main()
