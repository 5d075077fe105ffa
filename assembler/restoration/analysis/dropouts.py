"""Find dropouts of a tape: short losses of level that are not notes ending and beginning.

In a dropout all bands fall at the same time by 6 dB or more for 10 to 300 ms and return to their
previous level. A note that ends takes only its own bands away. A dropout in one channel is measured
against the other channel; a gap at the channel's own noise floor in all bands is a rest in the
music, and gaps as long and as deep as several others near, in it or in both, belong to chopped
music. A gap in both
channels is a dropout if the tape noise is lost with it, so that all bands fall below the noise
floor of the side, or if it is like a dropout in other ways: `common_dropouts`. Near rests that are
quieter than the noise of 16 bits there is no tape noise, and a gap is no dropout.

Tuned empirically on music with and without dropouts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples, in_pieces
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.common_dropouts import (
    PIECE,
    CommonDropoutSearch,
    Gap,
    likely_dropouts,
)
from assembler.restoration.analysis.resolution import CHANNELS
from assembler.text import clock_text, counted

STEP_S = 0.005
BOTH = 2
"""Channel of a dropout in both."""
MOST_NAMED = 20
"""Most dropouts named one by one in a report."""
MOST_LISTED = 200
"""Most dropouts kept as data."""
DEPTH_DB = 6.0
LONGEST_S = 0.3
_SHORTEST_STEPS = 2
_LAGS_S = (0.000023, 0.00009, 0.00036, 0.00145)
"""Second differences over these lags: high passes at about 11 kHz, 3 kHz, 700 and 170 Hz."""
_BANDS = len(_LAGS_S)
_LEAST_POWER = 1e-12
_REFERENCE, _EDGE = 5, 2
"""Steps on either side that a gap is compared with, and those between, where the level changes."""
_LEAST_DEPTH_DB = 5.0
"""Least fall of each band by itself."""
_OTHER_RETURN_DB, _RETURN_DB = 8.0, 5.0
_FLOOR_PERCENT = 1
_UNDER_FLOOR_DB = 3.0
_AT_FLOOR_DB = 3.0
_NO_NOISE = 5e-11
"""Power in the treble band, in which rounding to 16 bits alone has 2e-10."""
_NEAR_S, _REST_S, _BESIDE_S = 2.0, 0.01, 0.05
"""How near a rest without noise is, its least length, and its distance from any dropout."""

_RECURS_STEPS = 400
_RECURS, _AS_LONG_STEPS, _AS_DEEP_DB = 3, 1, 3.0
"""With so many others near that differ no more, a gap of one channel belongs to the music."""
_DEEP_DB, _PAUSES_S, _PAUSES, _AS_LONG, _AS_LOW_DB = 20.0, 5.0, 2, 0.1, 6.0
"""So does one among so many deep gaps of both channels, as long to a share and about as deep."""

Levels = NDArray[np.float32]


@dataclass(frozen=True)
class Dropout:
    """One dropout: start, length, depth, and channel (0 left, 1 right, `BOTH`)."""

    at_s: float
    length_s: float
    depth_db: float
    channel: int

    @property
    def ends_s(self) -> float:
        """Its end."""
        return self.at_s + self.length_s

    @property
    def channel_name(self) -> str:
        """left, right or both."""
        return "both" if self.channel == BOTH else CHANNELS[self.channel]

    def as_json(self) -> dict[str, Any]:
        """Return the dropout as plain data; `dropouts_text` reads it."""
        return {**asdict(self), "channel": self.channel_name}


def dropouts_text(dropouts: Sequence[Mapping[str, Any]]) -> str:
    """Return the number of dropouts and their places, from their plain data; empty for none.

    Examples
    --------
    >>> dropouts_text([{"at_s": 41.2, "length_s": 0.045, "depth_db": 12.3, "channel": "left"}])
    '1 dropout: 0:41.2 left, 12 dB for 45 ms'
    """
    if not dropouts:
        return ""
    places = [
        f"{clock_text(each['at_s'])} {each['channel']}, {each['depth_db']:.0f} dB for "
        f"{1000 * each['length_s']:.0f} ms"
        for each in dropouts[:MOST_NAMED]
    ]
    if (more := len(dropouts) - MOST_NAMED) > 0:
        places.append(f"and {more} more, listed in report.json")
    return f"{counted(len(dropouts), 'dropout')}: {'; '.join(places)}"


@compiled
def _powers(samples: NDArray[Any], lags: NDArray[Any], step: int, out: NDArray[Any]) -> None:
    """Sum squares of second differences over steps of interleaved stereo samples.

    Four frames of each eight are enough to measure a level.

    samples begin and end with neighbours for the longest lag. out: shape (steps, channels, bands).
    """
    farthest = lags[lags.shape[0] - 1]
    lanes = np.zeros(8, np.float32)
    for s in range(out.shape[0]):
        begin = 2 * (s * step + farthest)
        middle = samples[begin:]
        for band in range(lags.shape[0]):
            early, late = samples[begin - 2 * lags[band] :], samples[begin + 2 * lags[band] :]
            lanes[:] = 0.0
            for i in range(0, 2 * step, 16):
                for lane in range(8):
                    at = i + lane
                    difference = early[at] + late[at] - (middle[at] + middle[at])
                    lanes[lane] += difference * difference
            out[s, 0, band] = (lanes[0] + lanes[2]) + (lanes[4] + lanes[6])
            out[s, 1, band] = (lanes[1] + lanes[3]) + (lanes[5] + lanes[7])


@compiled
def _gaps(level: NDArray[Any]) -> list[tuple[int, int]]:
    """List the gaps between about equal levels: first step, and the one after the last."""
    most = round(LONGEST_S / STEP_S)
    ends = level.shape[0] - _REFERENCE - _EDGE
    found = [(0, 0) for _ in range(0)]
    t = _REFERENCE + _EDGE
    while t < ends:
        before = level[t - _EDGE - _REFERENCE : t - _EDGE].mean()
        if level[t] >= before - DEPTH_DB or level[t - _EDGE] <= before - DEPTH_DB / 2:
            t += 1
            continue
        u = t + 1
        last = min(t + most + 1, ends)
        while u < last and level[u] < before - DEPTH_DB:
            u += 1
        if u - t < _SHORTEST_STEPS or u == last:
            t += 1
            continue
        after = level[u + _EDGE - 1 : u + _EDGE - 1 + _REFERENCE].mean()
        if abs(after - before) < DEPTH_DB / 2:
            found.append((t, u))
        t = u
    return found


@compiled
def _mean(levels: NDArray[Any], first: int, last: int) -> NDArray[Any]:
    total = np.zeros(levels.shape[1])
    for step in range(first, last):
        total += levels[step]
    return total / (last - first)


@compiled
def _gap_db(
    levels: NDArray[Any], floor: NDArray[Any], t: int, u: int
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Measure the gap from step t to before u in each band.

    Returns
    -------
    depths, returns, over_floor
        Fall of the level, change of level after the gap, and lowest level above the floor; in dB,
        one per band.
    """
    before = _mean(levels, t - _EDGE - _REFERENCE, t - _EDGE)
    after = _mean(levels, u + _EDGE - 1, u + _EDGE - 1 + _REFERENCE)
    within = np.zeros(_BANDS)
    lowest = np.zeros(_BANDS)
    ordered = np.empty(u - t)
    for band in range(_BANDS):
        for i in range(u - t):
            value, place = levels[t + i, band], i
            while place > 0 and ordered[place - 1] > value:
                ordered[place] = ordered[place - 1]
                place -= 1
            ordered[place] = value
        within[band] = (ordered[(u - t - 1) // 2] + ordered[(u - t) // 2]) / 2
        lowest[band] = ordered[0]
    return np.minimum(before, after) - within, after - before, lowest - floor


class DropoutMeter:
    """Meter of dropouts in a stereo stream."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        half = max(8, round(rate_hz * STEP_S / 2 / 8) * 8)
        self._half, self._step = half, 2 * half
        self._lags = np.array([max(1, round(rate_hz * lag_s)) for lag_s in _LAGS_S])
        self._kept = np.zeros((int(self._lags[-1]), 2), np.float32)
        self._powers: list[Levels] = []
        self._common = CommonDropoutSearch(rate_hz, half)

    def feed(self, block: Samples) -> None:
        """Add a block of any length, shape (frames, 2)."""
        for piece in in_pieces([block], PIECE):
            samples = np.concatenate((self._kept, piece))
            halves = max(0, (len(samples) - 2 * int(self._lags[-1])) // self._half)
            powers = np.empty((halves, 2, _BANDS), np.float32)
            _powers(samples.reshape(-1), self._lags, self._half, powers)
            self._kept = samples[halves * self._half :].copy()
            self._powers.append(powers)
            self._common.feed(piece, powers)

    def candidates(self) -> list[tuple[float, float, float, dict[str, float]]]:
        """Return the gaps of both channels so far: start, end, depth, and features by name.

        Those near rests without any noise are left out.
        """
        found = self._common.candidates(self._floors_db())
        spans = [(*self._span_s(gap), gap.depth_db, features) for gap, features in found]
        return [
            one
            for one in spans
            if self._over_noise((Dropout(one[0], one[1] - one[0], one[2], BOTH),))
        ]

    def reading(self) -> tuple[Dropout, ...]:
        """Return the dropouts so far, except in the last few hundredths of a second."""
        halves = self._halves()
        if len(halves) < 2:
            return ()
        floors_db = self._floors_db()
        levels = halves[: len(halves) // 2 * 2].reshape(-1, 2, 2, _BANDS).sum(1)
        _to_decibels(levels, self._step)
        mean = levels.mean(axis=2)
        candidates = self._common.candidates(floors_db)
        pauses = [self._common_dropout(gap) for gap, _ in candidates]
        found: list[Dropout] = []
        for channel in range(2):
            own, other = levels[:, channel], levels[:, 1 - channel]
            floor = np.percentile(own, _FLOOR_PERCENT, axis=0)
            single = {
                gap: depth_db
                for gap in _gaps(mean[:, channel] - mean[:, 1 - channel])
                if (depth_db := _single_depth_db(own, other, floor, *gap))
            }
            both = {
                gap: depth_db
                for gap in _gaps(mean[:, channel])
                if (depth_db := _common_depth_db(own, floor, *gap))
                and not any(gap[0] < u and gap[1] > t for t, u in single)
            }
            alone = (self._dropout(*gap, channel) for gap in _without_recurring(single).items())
            found += [one for one in alone if not _is_pause(one, pauses)]
            found += [self._dropout(*gap, channel) for gap in both.items()]
        found += map(self._common_dropout, likely_dropouts(candidates))
        return self._over_noise(_joined(found))

    def _common_dropout(self, gap: Gap) -> Dropout:
        at_s, ends_s = self._span_s(gap)
        return Dropout(at_s, ends_s - at_s, gap.depth_db, BOTH)

    def _over_noise(self, found: tuple[Dropout, ...]) -> tuple[Dropout, ...]:
        """Return the dropouts that are not near rests without any noise."""
        half_s = self._half / self.rate_hz
        is_rest = self._halves()[:, :, 0].max(axis=1) < _NO_NOISE * self._half

        def part(one: Dropout, around_s: float) -> slice:
            first_s, last_s = max(0.0, one.at_s - around_s), one.ends_s + around_s
            return slice(int(first_s / half_s), int(last_s / half_s) + 1)

        for one in found:
            is_rest[part(one, _BESIDE_S)] = False
        fewest = round(_REST_S / half_s)
        return tuple(one for one in found if is_rest[part(one, _NEAR_S)].sum() < fewest)

    def _halves(self) -> Levels:
        """Return the powers so far; each part is freed when it is copied, for a side has many."""
        if len(self._powers) != 1:
            end = sum(map(len, self._powers))
            halves = np.empty((end, 2, _BANDS), np.float32)
            while self._powers:
                part = self._powers.pop()
                halves[end - len(part) : end] = part
                end -= len(part)
            self._powers = [halves]
        return self._powers[0]

    def _floors_db(self) -> NDArray[np.float64]:
        """Return the lowest levels of both channels together."""
        both = self._halves().sum(1)
        if not len(both):
            return np.zeros(_BANDS)
        _to_decibels(both, self._half)
        floors: Levels = np.percentile(both, _FLOOR_PERCENT, axis=0, overwrite_input=True)
        return floors.astype(np.float64)

    def _span_s(self, gap: Gap) -> tuple[float, float]:
        half_s = self._half / self.rate_hz
        return (gap.edges.first + 0.5) * half_s, (gap.edges.last + 0.5) * half_s

    def _dropout(self, gap: tuple[int, int], depth_db: float, channel: int) -> Dropout:
        step_s = self._step / self.rate_hz
        return Dropout(gap[0] * step_s, (gap[1] - gap[0]) * step_s, depth_db, channel)


def _to_decibels(powers: Levels, samples: int) -> None:
    """Turn powers of so many samples into levels of one: those of a long side fill much memory."""
    powers /= np.float32(samples)
    np.maximum(powers, np.float32(_LEAST_POWER), out=powers)
    np.log10(powers, out=powers)
    powers *= 10


def _joined(dropouts: Sequence[Dropout]) -> tuple[Dropout, ...]:
    """Return dropouts in order of time; those that overlap in left and right are one of both."""
    joined: list[Dropout] = []
    for one in sorted(dropouts, key=lambda drop: (drop.at_s, drop.channel)):
        last = joined[-1] if joined else None
        if last is None or one.at_s >= last.ends_s:
            joined.append(one)
            continue
        at_s, ends_s = last.at_s, max(last.ends_s, one.ends_s)
        channel = one.channel if one.channel == last.channel else BOTH
        joined[-1] = Dropout(at_s, ends_s - at_s, max(last.depth_db, one.depth_db), channel)
    return tuple(joined)


def _single_depth_db(own: Levels, other: Levels, floor: Levels, t: int, u: int) -> float | None:
    """Return the depth of a dropout in one channel; None if the gap is not a dropout."""
    depths, returns, over_floor = _gap_db(own, floor, t, u)
    other_depths, other_returns, _ = _gap_db(other, floor, t, u)
    lost = depths.min() >= _LEAST_DEPTH_DB and (depths - other_depths).min() >= DEPTH_DB
    returned = np.abs(returns - other_returns).max() <= _OTHER_RETURN_DB
    rest = np.abs(over_floor).max() <= _AT_FLOOR_DB
    return float(np.median(depths)) if lost and returned and not rest else None


def _without_recurring(gaps: dict[tuple[int, int], float]) -> dict[tuple[int, int], float]:
    """Return the gaps, with their depths, that are not like several others near."""
    firsts, afters = np.array(list(gaps), np.int64).reshape(-1, 2).T
    lengths, depths = afters - firsts, np.array(list(gaps.values()))
    kept = {}
    for (first, after), depth_db in gaps.items():
        most = _AS_LONG_STEPS + (after - first) // 10
        alike = np.abs(firsts - first) < _RECURS_STEPS
        alike &= np.abs(lengths - (after - first)) <= most
        alike &= np.abs(depths - depth_db) <= _AS_DEEP_DB
        if alike.sum() - 1 < _RECURS:
            kept[first, after] = depth_db
    return kept


def _is_pause(one: Dropout, gaps: Sequence[Dropout]) -> bool:
    """Return whether several gaps of both channels near, in order of time, are like it."""
    count, after_s = 0, 0.0
    for gap in gaps:
        is_apart = gap.ends_s <= one.at_s or gap.at_s >= one.ends_s
        if (
            is_apart
            and gap.at_s >= after_s
            and abs(gap.at_s - one.at_s) < _PAUSES_S
            and min(gap.depth_db, one.depth_db) >= _DEEP_DB
            and abs(gap.depth_db - one.depth_db) <= _AS_LOW_DB
            and abs(gap.length_s - one.length_s) < _AS_LONG * one.length_s
        ):
            count, after_s = count + 1, gap.ends_s
    return count >= _PAUSES


def _common_depth_db(own: Levels, floor: Levels, t: int, u: int) -> float | None:
    """Return the depth of a dropout in both channels; None if the gap is not a dropout."""
    depths, returns, over_floor = _gap_db(own, floor, t, u)
    lost = depths.min() >= DEPTH_DB and np.abs(returns).max() <= _RETURN_DB
    sinks = over_floor.max() <= -_UNDER_FLOOR_DB
    return float(np.median(depths)) if lost and sinks else None
