"""Find gaps in the level of a sound, and measure how much each is like a dropout.

A gap begins where three of four bands fall together and ends where they rise again, at most 0.3 s
later. It is measured in ten bands every 2.5 ms, against the sound on either side. A dropout lowers
all bands, by about as much or more in the treble, and what follows is as loud as what came before.
The tape noise is lost too: the level above 15 kHz falls, and bands fall below what they reach in
the seconds around. Where a note ends and another begins, some bands stay, or it happens often.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples

Levels = NDArray[np.float64]
Part = NDArray[np.bool_]

LONGEST_STEPS = 120
AROUND_STEPS = 600
"""Steps on either side whose changes of level a gap is compared with."""
_LAGS = (2, 3, 4, 5)
_BANDS_FALLING = 3
_LEAST_EDGE_DB, _LEAST_DB, _LEAST_DEPTH_DB, _MOST_CHANGE_DB = 5.0, 3.0, 4.0, 12.0
"""Least fall and rise, least level under the nearer side in all of a gap, least depth, and most
difference of the two sides."""
_DEEPER_DB = 6.0
"""Where the level comes back over that before by this, less the least, a gap has ended."""
_MARGIN = 16
_COMPARED_STEPS = 6
"""Steps before a gap and after it whose mean level it is compared with."""
_WINDOW_S, _HOP_S = 0.0058, 0.0025
_BAND_EDGES_HZ = (120, 400, 700, 1100, 1600, 2300, 3300, 4700, 6700, 9500, 13_500)
_TOP_HZ = (15_000, 20_000)
"""A band in which there is often more noise than music."""
_MOST_TOP = 1.5
"""Of the depth: where that band falls more, a note in the treble ends."""
_REFERENCE_S, _EDGE_S = 0.055, 0.008
"""How far from the gap the sound is measured, and how near the level still changes."""
_BESIDE_STEPS = 8
"""Steps beside a gap that belong to it."""
_LOWEST_PERCENT = 2
_AS_LOW_DB = 3.0
_HEARD_DB = 55.0
_LEAST_POWER = 1e-12


@dataclass(frozen=True)
class Edges:
    """A gap: the steps where the level falls and rises, by how much, and its depth; in dB."""

    first: int
    last: int
    fall_db: float
    rise_db: float
    depth_db: float

    @property
    def steps(self) -> int:
        """Its length."""
        return self.last - self.first


def _falls_db(levels: Levels) -> Levels:
    """Return by how much the level falls at each step: the mean of the bands that fall least."""
    falls = np.full(len(levels), -99.0)
    for lag in _LAGS:
        fall = np.sort(levels[:-lag] - levels[lag:], axis=1)[:, :_BANDS_FALLING].mean(1)
        part = falls[lag // 2 :][: len(fall)]
        np.maximum(part, fall, out=part)
    return falls


def _peaks(falls: Levels) -> NDArray[np.int64]:
    middle = falls[1:-1]
    is_peak = (middle >= _LEAST_EDGE_DB) & (middle >= falls[:-2]) & (middle > falls[2:])
    return np.flatnonzero(is_peak) + 1


def gaps_of(levels: Levels) -> list[Edges]:
    """Return all gaps between a fall and a rise of levels in dB, shape (steps, bands).

    They may overlap.
    """
    if len(levels) < 2 * _MARGIN:
        return []
    falls, rises = _falls_db(levels), _falls_db(levels[::-1])[::-1]
    mean, ends, latest = levels.mean(1), _peaks(rises), len(levels) - _MARGIN
    beside = np.lib.stride_tricks.sliding_window_view(mean, _COMPARED_STEPS).mean(1)
    found = []
    for first in map(int, _peaks(falls)):
        if first < _MARGIN:
            continue
        before = beside[first - 2 - _COMPARED_STEPS]
        within = ends[(ends > first) & (ends <= min(first + LONGEST_STEPS, latest))]
        for last in map(int, within):
            edge = min(4, (last - first) // 2)
            inside = mean[first + edge : last + 1 - edge]
            after = beside[last + 3]
            nearer = min(before, after)
            highest = inside.max()
            if highest >= before - _LEAST_DB + _DEEPER_DB:
                break
            if highest >= nearer - _LEAST_DB or abs(after - before) >= _MOST_CHANGE_DB:
                continue
            depth = nearer - _median(inside)
            if depth >= _LEAST_DEPTH_DB:
                found.append(Edges(first, last, falls[first], rises[last], float(depth)))
    return found


def apart(gaps: Sequence[Edges], scores: Sequence[float]) -> list[int]:
    """Return the numbers of gaps that don't overlap: of those that do, that of the best score."""
    taken = np.zeros(max((gap.last for gap in gaps), default=0) + 1, np.bool_)
    kept = []
    for number in np.argsort(-np.asarray(scores), kind="stable"):
        part = taken[gaps[number].first : gaps[number].last + 1]
        if not part.any():
            part[:] = True
            kept.append(int(number))
    return sorted(kept)


def surroundings(levels: Levels, gap: Edges) -> dict[str, float]:
    """Return how a gap stands out of the seconds around it; levels have shape (steps, bands).

    ``contrast``: its depth against nearly all changes of the mean level, as a logarithm;
    ``under_lowest``: how far the band that falls most is below nearly all that it reaches around;
    ``as_low``, ``half_low``: how often the mean level falls as low, and half as deep.
    """
    first = max(0, gap.first - AROUND_STEPS)
    around = levels[first : gap.last + AROUND_STEPS]
    mean = around.mean(1)
    changes = np.abs(mean[4:] - mean[:-4])
    is_change = np.ones(len(changes), np.bool_)
    for at in (gap.first - first, gap.last - first):
        is_change[max(0, at - 8) : at + 6] = False
    usual = np.percentile(changes[is_change], 98) if is_change.any() else 0.0
    is_rest = np.ones(len(around), np.bool_)
    begin, end = gap.first - first - _BESIDE_STEPS, gap.last - first + _BESIDE_STEPS
    is_rest[max(0, begin) : end + 1] = False
    edge = min(4, gap.steps // 2)
    inside = _median(levels[gap.first + edge : gap.last + 1 - edge])
    lowest = np.percentile(around[is_rest], _LOWEST_PERCENT, axis=0)
    low = float(inside.mean())
    return {
        "contrast": math.log(max(gap.depth_db, 1.0) / max(float(usual), 0.5)),
        "under_lowest": float((lowest - inside).max()) / 10,
        "as_low": 10 * float((mean[is_rest] < low + _AS_LOW_DB).mean()),
        "half_low": 5 * float((mean[is_rest] < low + gap.depth_db / 2).mean()),
    }


def sound_around(rate_hz: int) -> int:
    """Return how many samples on either side of a gap are measured."""
    return round(_REFERENCE_S * rate_hz)


def _band_powers(sound: Samples, rate_hz: int) -> tuple[Levels, Levels, Levels]:
    """Return the powers of both channels in ten bands and above 15 kHz, and the times."""
    size, hop = 1 << round(math.log2(rate_hz * _WINDOW_S)), round(rate_hz * _HOP_S)
    window = np.hanning(size + 2)[1:-1]
    windows = np.lib.stride_tricks.sliding_window_view(sound, size, axis=0)[::hop]
    spectra = np.fft.rfft(windows * window)
    powers = (spectra.real**2 + spectra.imag**2) / (size * np.sum(window**2))
    hz = np.fft.rfftfreq(size, 1 / rate_hz)
    bins = np.unique(np.maximum(np.searchsorted(hz, _BAND_EDGES_HZ), 1))
    bins = bins[bins < len(hz)]
    bands = np.add.reduceat(powers[..., : bins[-1]], bins[:-1], axis=2)
    top = powers[..., slice(*np.searchsorted(hz, _TOP_HZ))].sum(2)
    at_s = (hop * np.arange(len(bands)) + size / 2) / rate_hz
    return bands, top, at_s


def levels_of(powers: Levels) -> Levels:
    """Return powers in dB, not below -120."""
    levels: Levels = 10 * np.log10(np.maximum(powers, _LEAST_POWER))
    return levels


def likeness(sound: Samples, rate_hz: int, edges: Edges) -> tuple[float, dict[str, float]] | None:
    """Measure how much a gap is like a dropout.

    Parameters
    ----------
    sound
        The gap, with `sound_around` samples on either side of it.
    rate_hz, edges
        Its sample rate, and the gap.

    Returns
    -------
    tuple or None
        The depth in dB, and features by name; None where fewer than two bands sound.
    """
    around_s = sound_around(rate_hz) / rate_hz
    first_s, last_s = around_s, len(sound) / rate_hz - around_s
    powers, top, at_s = _band_powers(sound, rate_hz)
    both = powers.sum(1)
    before, after = at_s < first_s - _EDGE_S, at_s > last_s + _EDGE_S
    within = (at_s > first_s + 0.002) & (at_s < last_s - 0.002)
    if not within.any():
        within = np.abs(at_s - (first_s + last_s) / 2) < _HOP_S
    old, new = (levels_of(both[part].mean(0)) for part in (before, after))
    heard = np.minimum(old, new) > max(old.max(), new.max()) - _HEARD_DB
    if np.count_nonzero(heard) < 2:
        return None
    old, new, powers = old[heard], new[heard], powers[..., heard]
    levels = levels_of(powers.sum(1))
    share = np.clip((at_s - first_s) / (last_s - first_s), 0, 1)[:, None]
    losses = old * (1 - share) + new * share - levels
    depths = _median(losses[within])
    depth = max(float(_median(depths)), 3.0)
    features = {
        "fall": edges.fall_db / depth,
        "rise": edges.rise_db / depth,
        "lesser_edge": min(edges.fall_db, edges.rise_db) / depth,
        "edges_differ": abs(edges.fall_db - edges.rise_db) / depth,
        "change": _rms(new - old) / depth,
        "most_change": float(np.abs(new - old).max()) / depth,
        "length": math.log(last_s - first_s) + 3,
        **_depth_features(depths, depth),
        "below": float(_median(_below(levels, (before, after), within))) / depth,
        **_top_features(levels_of(top.sum(1)), (before, after), within, depth),
        **_channel_features(powers, before | after, within),
    }
    return depth, features


def _median(values: Levels) -> Any:
    """Return the median over the first axis: numpy's own spends most of its time on checks."""
    ordered, count = np.sort(values, axis=0), len(values)
    return (ordered[(count - 1) // 2] + ordered[count // 2]) / 2


def _rms(values: Levels) -> float:
    return math.sqrt(float((values**2).mean()))


def _depth_features(depths: Levels, depth: float) -> dict[str, float]:
    """Return whether all bands lose about as much."""
    numbers = np.arange(len(depths)) - (len(depths) - 1) / 2
    slope = float(numbers @ depths / (numbers @ numbers))
    uneven = float((depths - depths.mean() - slope * numbers).std())
    return {
        "least_depth": float(depths.min()) / depth,
        "low_depth": float(np.percentile(depths, 20)) / depth,
        "uneven": uneven / depth,
    }


def _below(levels: Levels, sides: tuple[Part, Part], within: Part) -> Levels:
    """Return how far levels fall below what they reach on either side."""
    low = np.minimum(*(levels[side].min(0) for side in sides))
    below: Levels = low - _median(levels[within])
    return below


def _top_features(
    top: Levels, sides: tuple[Part, Part], within: Part, depth: float
) -> dict[str, float]:
    """Return how far the level above 15 kHz falls: not at all where the rate is too low for it."""
    fall = float(min(_median(top[side]) for side in sides) - _median(top[within]))
    fall, below = (min(by, _MOST_TOP * depth) for by in (fall, float(_below(top, sides, within))))
    return {"top_depth": fall / depth, "top_fall": fall / 10, "top_below": below / depth}


def _channel_features(powers: Levels, around: Part, within: Part) -> dict[str, float]:
    """Return whether the channels fall alike."""
    left, right = levels_of(powers[:, 0]), levels_of(powers[:, 1])
    balance = left - right
    moved = np.abs(_median(balance[within]) - balance[around].mean(0))
    return {
        "balance": float(moved.mean()) / 3,
        "balance_moves": float((moved / (balance[around].std(0) + 1)).mean()),
    }
