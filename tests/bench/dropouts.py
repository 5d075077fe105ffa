"""Dropouts of both channels, found, false and repaired: python tests/bench/dropouts.py [--fit]

Not a test. Prints the recall of dropouts by depth, and the false alarms of music without them, on
pieces that the weights of `analysis/common_dropouts.py` were not fitted on: seeds of music made by
code, chopped music without tape noise ("digital", which has no dropouts added, and is not part of
"all"), and every second piece of Debian's. Then prints the signal-to-noise ratio of dropouts before
and after the repair, as found and at their true places. With `--fit` it fits the weights first, on
the other pieces, and prints them.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import soundfile
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parents[1]))
from made_music import KINDS, made_music
from outside import real_music
from restoration.common_dropouts import (
    DEPTHS_DB,
    CommonDropout,
    on_tape,
    with_common_dropouts,
)
from restoration.gated_music import gated_music

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis import common_dropouts
from assembler.restoration.analysis.dropouts import BOTH, Dropout, DropoutMeter
from assembler.restoration.repair.dropouts import DropoutSpan, dedropout, spans_of

REAL_S, MADE_S, GATED_S, DIGITAL_S = 70, 30.0, 40.0, 30.0
FITTED_S, JUDGED_S = 3.5, 6.0
"""One dropout in each of these."""
WRONG_BY_S = 0.016
"""A gap whose ends are further from those of the dropout is not fitted on."""
RIDGE, FALSE_PER_MINUTE = 30.0, 0.15
FOLDS = 5
RATE_HZ = 44_100

Features = dict[str, float]
Task = tuple[str, int]


def pieces(*, fitted: bool) -> list[Task]:
    """Return the kinds or files of the pieces, with their seeds or parts."""
    made, gated, parts = ((100, 102), (300, 314), 1) if fitted else ((200, 201), (400, 405), 2)
    files = sorted(
        real_music("singularity-music") + real_music("asc-music"), key=lambda file: file.name
    )
    tasks = [(kind, seed) for kind in KINDS for seed in range(*made)]
    tasks += [("gated", seed) for seed in range(*gated)]
    for file in files[0 if fitted else 1 :: 2]:
        length_s = soundfile.info(file).duration
        tasks += [(str(file), part) for part in range(parts) if length_s > 5 + 100 * part + 30]
    return [*tasks, *(("digital", seed) for seed in range(*gated))]


def piece(task: Task) -> tuple[Samples, int, np.random.Generator]:
    """Make or read a piece, with tape noise but for digital ones; some are mono."""
    kind, seed = task
    if kind == "digital":
        return gated_music(DIGITAL_S, RATE_HZ, seed), RATE_HZ, np.random.default_rng(seed)
    rng = np.random.default_rng([seed, *Path(kind).stem.encode()])
    rate_hz = RATE_HZ
    if kind in KINDS:
        sound = made_music(kind, MADE_S, rate_hz, seed)
    elif kind == "gated":
        sound = gated_music(GATED_S, rate_hz, seed)
    else:
        rate_hz = soundfile.info(kind).samplerate
        first = (5 + 100 * seed) * rate_hz
        sound, _ = soundfile.read(kind, REAL_S * rate_hz, first, dtype="float32", always_2d=True)
    if sound.shape[1] == 1 or (seed % 2 and rng.random() < 0.4):
        sound = np.repeat(sound.mean(1, keepdims=True), 2, axis=1)
    return on_tape(sound, rng), rate_hz, rng


@dataclass
class Result:
    """What was measured of a piece."""

    minutes: float
    gaps: list[tuple[float, float, float, Features]]
    """Of the piece without dropouts."""
    added: list[tuple[CommonDropout, list[tuple[float, float, float, Features]]]]
    """Each dropout, with the gaps that overlap it."""
    false: tuple[Dropout, ...]
    found: tuple[Dropout, ...]


def metered(sound: Samples, rate_hz: int) -> DropoutMeter:
    """Feed a sound to a meter."""
    meter = DropoutMeter(rate_hz)
    meter.feed(sound)
    return meter


def overlaps(added: CommonDropout, begin_s: float, end_s: float) -> bool:
    """Return whether a dropout and a span overlap."""
    return begin_s < added.at_s + added.length_s and end_s > added.at_s


def measured(each_s: float, task: Task) -> Result:
    """Measure a piece, with dropouts and without."""
    sound, rate_hz, rng = piece(task)
    minutes, plain = len(sound) / rate_hz / 60, metered(sound, rate_hz)
    if task[0] == "digital":
        return Result(minutes, plain.candidates(), [], plain.reading(), ())
    dropped, added = with_common_dropouts(sound, rng, rate_hz, each_s)
    meter = metered(dropped, rate_hz)
    gaps = meter.candidates()
    return Result(
        minutes,
        plain.candidates(),
        [(one, [gap for gap in gaps if overlaps(one, *gap[:2])]) for one in added],
        plain.reading(),
        meter.reading(),
    )


def rows(results: Sequence[Result], names: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return the features of gaps, and whether they are dropouts."""
    false = [gap[3] for result in results for gap in result.gaps]
    true = []
    for one, gaps in (pair for result in results for pair in result.added):
        wrong = [max(abs(gap[0] - one.at_s), abs(gap[1] - one.at_s - one.length_s)) for gap in gaps]
        if wrong and min(wrong) < WRONG_BY_S:
            true.append(gaps[int(np.argmin(wrong))][3])
    table = np.array([[features[name] for name in names] for features in false + true])
    return table, np.repeat([0.0, 1.0], [len(false), len(true)])


def fitted(results: Sequence[Result], names: list[str]) -> tuple[float, Features]:
    """Return the constant and the weights of greatest likelihood, with a ridge."""
    table, is_true = rows(results, names)
    middle, spread = table.mean(0), table.std(0) + 1e-6
    table = (table - middle) / spread

    def loss(weights: np.ndarray) -> tuple[float, np.ndarray]:
        odds = table @ weights[1:] + weights[0]
        misses = 1 / (1 + np.exp(-odds)) - is_true
        value = np.logaddexp(0, odds).sum() - is_true @ odds + RIDGE * weights[1:] @ weights[1:] / 2
        return value, np.r_[misses.sum(), table.T @ misses + RIDGE * weights[1:]]

    best = minimize(loss, np.zeros(len(names) + 1), jac=True, method="L-BFGS-B").x
    weights = best[1:] / spread
    return float(best[0] - weights @ middle), dict(zip(names, map(float, weights), strict=True))


def odds_of(features: Features, weights: tuple[float, Features]) -> float:
    """Return the log odds."""
    return weights[0] + sum(weight * features[name] for name, weight in weights[1].items())


def false_odds(result: Result, weights: tuple[float, Features]) -> list[float]:
    """Return the log odds of gaps of a piece without dropouts: the greatest where they overlap."""
    found: list[tuple[float, float, float]] = []
    for gap in sorted(result.gaps, key=lambda gap: -odds_of(gap[3], weights)):
        if all(gap[0] >= end or gap[1] <= begin for begin, end, _ in found):
            found.append((gap[0], gap[1], odds_of(gap[3], weights)))
    return [odds for _, _, odds in found]


def fit(results: Sequence[Result]) -> tuple[float, Features]:
    """Fit, with the constant at which pieces that were left out have few false alarms."""
    names = list(next(result.gaps[0][3] for result in results if result.gaps))
    odds: list[float] = []
    for fold in range(FOLDS):
        kept = fitted([one for n, one in enumerate(results) if n % FOLDS != fold], names)
        odds += [value for one in results[fold::FOLDS] for value in false_odds(one, kept)]
    minutes = sum(result.minutes for result in results)
    limit = sorted(odds, reverse=True)[int(FALSE_PER_MINUTE * minutes)]
    constant, weights = fitted(results, names)
    return constant - limit, weights


def print_found(tasks: list[Task], results: list[Result]) -> None:
    """Print recall by depth and false alarms, for each kind of piece."""
    kinds = {"made": KINDS, "gated": ("gated",), "digital": ("digital",)}
    groups = {
        name: [n for n, task in enumerate(tasks) if task[0] in some] for name, some in kinds.items()
    }
    groups["real"] = [n for n, task in enumerate(tasks) if "/" in task[0]]
    groups["all"] = [n for n, task in enumerate(tasks) if task[0] != "digital"]
    for name, numbers in groups.items():
        some = [results[n] for n in numbers]
        minutes = sum(result.minutes for result in some)
        false = sum(len(result.false) for result in some)
        print(
            f"{name:6} {len(some)} pieces, {minutes:.0f} min: {false / minutes:.2f} false/min",
            end="",
        )
        for depth_db in DEPTHS_DB:
            hits = [
                any(overlaps(one, drop.at_s, drop.ends_s) for drop in result.found)
                for result in some
                for one, _ in result.added
                if one.depth_db == depth_db
            ]
            if hits:
                print(f"; {depth_db:g} dB: {np.mean(hits):.2f} of {len(hits)}", end="")
        print()


def ratio_db(wanted: Samples, got: Samples) -> float:
    """Return the ratio of signal to difference."""
    return float(10 * np.log10((wanted**2).sum() / max(((wanted - got) ** 2).sum(), 1e-20)))


def repaired(task: Task) -> list[tuple[float, float, float, float, bool]]:
    """Return each dropout's depth and ratios: dropped, repaired as found, at its true place."""
    sound, rate_hz, rng = piece(task)
    dropped, added = with_common_dropouts(sound, rng, rate_hz, JUDGED_S)
    found = metered(dropped, rate_hz).reading()
    true = [
        DropoutSpan(round(one.at_s * rate_hz), round((one.at_s + one.length_s) * rate_hz), BOTH)
        for one in added
    ]
    as_found, as_true = (
        np.concatenate(list(dedropout([dropped], rate_hz, spans)))
        for spans in (spans_of(found, rate_hz, is_swapped=False), true)
    )
    rows = []
    for one in added:
        at = slice(
            round((one.at_s - 0.02) * rate_hz), round((one.at_s + one.length_s + 0.02) * rate_hz)
        )
        if (sound[at] ** 2).mean() > 10**-5.5:
            was_found = any(overlaps(one, drop.at_s, drop.ends_s) for drop in found)
            ratios = (ratio_db(sound[at], some[at]) for some in (dropped, as_found, as_true))
            rows.append((one.depth_db, *ratios, was_found))
    return rows


def print_repaired(tasks: list[Task], pool: ProcessPoolExecutor) -> None:
    """Print the ratios of signal to difference."""
    each = list(pool.map(repaired, tasks))
    groups = [
        (f"{depth:g} dB", [row for one in each for row in one if row[0] == depth])
        for depth in DEPTHS_DB
    ]
    groups += [(Path(task[0]).stem[:16], one) for task, one in zip(tasks, each, strict=True)]
    for name, some in groups:
        hits = [row for row in some if row[4]]
        if hits:
            before, found = (np.median([row[n] for row in hits]) for n in (1, 2))
            worse = sum(row[2] < row[1] for row in hits)
            true = np.median([row[3] for row in some])
            print(
                f"{name:18} {len(hits):3} found: {before:5.1f} dB, repaired {found:5.1f} dB, "
                f"{worse} worse; at their true places {true:5.1f} dB"
            )


def main() -> None:
    """Measure, and print."""
    tasks = pieces(fitted=False)
    with ProcessPoolExecutor(2) as pool:
        if "--fit" in sys.argv:
            constant, weights = fit(
                list(pool.map(partial(measured, FITTED_S), pieces(fitted=True)))
            )
            print(f"CONSTANT = {constant:.2f}\nWEIGHTS = {{")
            print(
                "\n".join(f'    "{name}": {weight:.2f},' for name, weight in weights.items()), "}"
            )
            common_dropouts.CONSTANT = constant
            common_dropouts.WEIGHTS.update(weights)
    with ProcessPoolExecutor(2) as pool:
        print_found(tasks, list(pool.map(partial(measured, JUDGED_S), tasks)))
        print_repaired([task for task in tasks if task[0] != "digital"][::2], pool)


if __name__ == "__main__":
    main()
