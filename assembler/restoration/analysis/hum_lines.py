"""Lines in the low spectra of a side, and how hum is known by them.

A line of hum stands out of its neighbourhood when that is quietest, keeps one level, and is never
missing. Its harmonics are whole multiples of one frequency near 50 or 60 Hz.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

MAX_ERROR = 0.05
"""Largest deviation from 50 and 60 Hz, as a share."""
STANDS_OUT_DB = 7.0
_NEIGHBOURHOOD = 12
"""Bins on either side that are the neighbourhood of a line, without the nearest three."""
_NEAREST = 3
_SPREAD_DB = 3.0
"""Largest spread of the middle 70 % of the quiet frames; music and noise have 5 dB or more."""
_MISSING_DB = 6.0
_PAIR_OUT_DB = 10.0
_SINGLE_OUT_DB = 20.0
_SINGLE_SPREAD_DB = 1.0
_TOLERANCE_HZ = 0.05
_BATCH, _BATCH_BINS = 256, 64
"""Frames, and bins, that are looked at together."""

Array = NDArray[np.float64]
Powers = NDArray[np.float32]
Bins = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class LowSpectra:
    """Powers of overlapping frames of the low band, shape (frames, bins)."""

    powers: Powers
    bin_hz: float

    @cached_property
    def floors(self) -> Powers:
        """Mean power of each bin's neighbourhood."""
        floors = np.empty_like(self.powers)
        for first in range(0, len(floors), _BATCH):
            floors[first : first + _BATCH] = _floors(self.powers[first : first + _BATCH])
        return floors

    def rows(self, rows: slice) -> LowSpectra:
        """Return some of the frames."""
        found = LowSpectra(self.powers[rows], self.bin_hz)
        found.__dict__["floors"] = self.floors[rows]
        return found

    def straightened(self, hz: Array) -> LowSpectra:
        """Return the spectra with a pitch, one value per frame, stretched to its mean."""
        bins = np.arange(self.powers.shape[1])
        ratios = hz / hz.mean()
        powers = np.empty_like(self.powers)
        for straight, row, ratio in zip(powers, self.powers, ratios, strict=True):
            straight[:] = np.interp(bins * ratio, bins, row)
        return LowSpectra(powers, self.bin_hz)


def _floors(powers: Powers) -> Array:
    around = np.pad(powers, ((0, 0), (_NEIGHBOURHOOD + 1, _NEIGHBOURHOOD)))
    sums = np.cumsum(around, axis=1, dtype=np.float64)
    bins = powers.shape[1]

    def part(first: int, after: int) -> Array:
        first, after = first + _NEIGHBOURHOOD, after + _NEIGHBOURHOOD
        total: Array = sums[:, after : after + bins] - sums[:, first : first + bins]
        return total

    both = part(-_NEIGHBOURHOOD, -_NEAREST) + part(_NEAREST + 1, _NEIGHBOURHOOD + 1)
    floors: Array = np.maximum(both, 0) / (2 * (_NEIGHBOURHOOD - _NEAREST)) + 1e-30
    return floors


@dataclass(frozen=True)
class Line:
    """A steady line in the spectrum; `out` is the ratio of its power to its neighbourhood's."""

    hz: float
    out: float
    power: float
    spread_db: float


def all_bins(spectra: LowSpectra) -> Bins:
    """Return the bins in which there may be a line of hum."""
    first = int(50 * (1 - MAX_ERROR) / spectra.bin_hz)
    return np.arange(first, spectra.powers.shape[1] - _NEIGHBOURHOOD)


def steady_lines(spectra: LowSpectra, quiet: int, bins: Bins) -> list[Line]:
    """Find the lines among some bins that are steady in so many quiet frames."""
    return [
        line
        for first in range(0, len(bins), _BATCH_BINS)
        for line in _steady_in_batch(spectra, quiet, bins[first : first + _BATCH_BINS])
    ]


def _steady_in_batch(spectra: LowSpectra, frames: int, bins: Bins) -> list[Line]:
    floors = spectra.floors[:, bins]
    quiet = np.argpartition(floors, frames - 1, axis=0)[:frames]
    near = [spectra.powers[quiet, bins + k].astype(np.float64) for k in (-1, 0, 1)]
    before, at, after = (np.median(power, axis=0) for power in near)
    background = np.median(np.take_along_axis(floors, quiet, axis=0), axis=0).astype(np.float64)
    low, high = np.percentile(near[1], (15, 85), axis=0)
    least = np.percentile(spectra.powers[:, bins], 10, axis=0)
    steady = (at > before) & (at >= after) & (at > background * ratio(STANDS_OUT_DB))
    steady &= (high < low * ratio(_SPREAD_DB)) & (least * ratio(_MISSING_DB) > at)
    lines = []
    for k in np.flatnonzero(steady):
        peak = np.maximum(np.array([before[k], at[k], after[k]]) - background[k], 1e-30)
        offset, power = sine_peak(peak)
        spread_db = 10 * math.log10(high[k] / low[k])
        hz = (int(bins[k]) + float(offset)) * spectra.bin_hz
        lines.append(Line(hz, at[k] / background[k], float(power), spread_db))
    return lines


def ratio(level_db: float) -> float:
    """Return a ratio of powers."""
    return float(10 ** (level_db / 10))


def sine_peak(powers: Array) -> tuple[Array, Array]:
    """Return the offset of a sine from the middle of three bins, and its power (Hann window)."""
    before, at, after = powers
    side = np.where(after > before, 1, -1)
    root = np.sqrt(np.maximum(before, after) / at)
    offset = np.clip((2 * root - 1) / (1 + root), 0.0, 0.5)
    gain = np.sinc(offset) / (1 - offset**2)
    return side * offset, at / gain**2


def series(lines: list[Line], nominal: int) -> dict[int, Line]:
    """Return the lines that are harmonics of one mains frequency; empty if they are too few."""
    best: dict[int, Line] = {}
    for base in lines:
        number = round(base.hz / nominal)
        if not 1 <= number <= 6 or abs(base.hz / number / nominal - 1) > MAX_ERROR:
            continue
        found: dict[int, Line] = {}
        hz = base.hz / number
        for line in lines:
            k = max(1, round(line.hz / hz))
            if abs(line.hz - k * hz) < _TOLERANCE_HZ * (1 + k / number) and (
                k not in found or line.out > found[k].out
            ):
                found[k] = line
        if weight(found) > weight(best):
            best = found
    return best if _is_hum(best) else {}


def _is_hum(found: dict[int, Line]) -> bool:
    """Return whether lines are hum: three together, or fewer that stand out."""
    if len(found) >= 3:
        return min(found) <= 3
    if len(found) == 2:
        return min(found) <= 2 and all(x.out > ratio(_PAIR_OUT_DB) for x in found.values())
    return any(
        number <= 2 and line.out > ratio(_SINGLE_OUT_DB) and line.spread_db < _SINGLE_SPREAD_DB
        for number, line in found.items()
    )


def weight(found: Mapping[int, Line]) -> float:
    """Return by how much the lines of a series stand out, together."""
    return sum(math.log10(line.out) for line in found.values())


def mains_hz(found: dict[int, Line]) -> float:
    """Return the mains frequency that fits all harmonics best."""
    weights = {number: min(line.out, 1e4) for number, line in found.items()}
    above = sum(weights[number] * number * line.hz for number, line in found.items())
    return above / sum(weights[number] * number**2 for number in found)
