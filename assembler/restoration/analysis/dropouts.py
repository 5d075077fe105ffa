"""Dropouts of a tape: short losses of level, told from notes that end and begin.

The rule: a loss takes all bands down at the same moment by 6 dB or more, lasts 10 to 300 ms, and
gives all of them back at the level that they had left. A note that ends takes its own bands only.
The loss of one channel is seen against the other, which goes on; a gap that lies at the channel's
own noise floor in all bands is a rest of what plays there. A gap in both channels at once is a loss
where the tape's noise sinks with it: in all bands it falls under the side's floor. A rest doesn't.

Common practice, no source; figures set by trial on music with and without such losses.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.resolution import CHANNELS
from assembler.text import clock_text

STEP_S = 0.005
MOST_NAMED = 20
"""So many are named one by one in a report."""
MOST_TOLD = 200
"""So many are kept as data."""
DEPTH_DB = 6.0
LONGEST_S = 0.3
_SHORTEST_STEPS = 2
_LAGS_S = (0.000023, 0.00009, 0.00036, 0.00145)
"""Second differences over these: all that lies above about 11 kHz, 3 kHz, 700 and 170 Hz."""
_BANDS = len(_LAGS_S)
_LEAST_POWER = 1e-12
_BANK, _EDGE = 5, 2
"""Steps on either side that a gap is compared with, and those between, where the level moves."""
_LEAST_DEPTH_DB = 5.0
"""Each band by itself falls by this at least."""
_MATE_RETURN_DB, _RETURN_DB = 8.0, 5.0
_FLOOR_PERCENT = 1
_UNDER_FLOOR_DB = 3.0
_AT_FLOOR_DB = 3.0

Levels = NDArray[np.float32]


@dataclass(frozen=True)
class Dropout:
    """One short loss of level: when, how long, how deep, and in which channel (0 left, 1 right)."""

    at_s: float
    length_s: float
    depth_db: float
    channel: int

    def as_json(self) -> dict[str, Any]:
        """Return the dropout as plain data; `dropouts_text` reads it."""
        return {**asdict(self), "channel": CHANNELS[self.channel]}


@dataclass(frozen=True)
class DropoutReading:
    """Dropouts of a side, in order of time."""

    dropouts: tuple[Dropout, ...]


def dropouts_text(dropouts: Sequence[Mapping[str, Any]]) -> str:
    """Return how many dropouts there are and where, from their plain data; empty for none.

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
    count = "1 dropout" if len(dropouts) == 1 else f"{len(dropouts)} dropouts"
    return f"{count}: {'; '.join(places)}"


@compiled
def _powers(sound, lags, step, out):  # type: ignore[no-untyped-def]
    """Sum squares of second differences in steps of stereo sound, left and right in turn.

    Four frames of each eight are enough to tell a level.

    sound begins and ends with the longest lag's worth of neighbours. out: shape (steps, channels,
    bands).
    """
    farthest = lags[lags.shape[0] - 1]
    zero = np.float32(0.0)
    for s in range(out.shape[0]):
        begin = 2 * (s * step + farthest)
        middle = sound[begin:]
        for band in range(lags.shape[0]):
            early, late = sound[begin - 2 * lags[band] :], sound[begin + 2 * lags[band] :]
            p0, p1, p2, p3, p4, p5, p6, p7 = zero, zero, zero, zero, zero, zero, zero, zero
            for i in range(0, 2 * step, 16):
                d0 = early[i] + late[i] - (middle[i] + middle[i])
                d1 = early[i + 1] + late[i + 1] - (middle[i + 1] + middle[i + 1])
                d2 = early[i + 2] + late[i + 2] - (middle[i + 2] + middle[i + 2])
                d3 = early[i + 3] + late[i + 3] - (middle[i + 3] + middle[i + 3])
                d4 = early[i + 4] + late[i + 4] - (middle[i + 4] + middle[i + 4])
                d5 = early[i + 5] + late[i + 5] - (middle[i + 5] + middle[i + 5])
                d6 = early[i + 6] + late[i + 6] - (middle[i + 6] + middle[i + 6])
                d7 = early[i + 7] + late[i + 7] - (middle[i + 7] + middle[i + 7])
                p0 += d0 * d0
                p1 += d1 * d1
                p2 += d2 * d2
                p3 += d3 * d3
                p4 += d4 * d4
                p5 += d5 * d5
                p6 += d6 * d6
                p7 += d7 * d7
            out[s, 0, band] = (p0 + p2) + (p4 + p6)
            out[s, 1, band] = (p1 + p3) + (p5 + p7)


@compiled
def _gaps(level):  # type: ignore[no-untyped-def]
    """List first step and step after the last of gaps between banks of about equal height."""
    most = round(LONGEST_S / STEP_S)
    ends = level.shape[0] - _BANK - _EDGE
    found = [(0, 0) for _ in range(0)]
    t = _BANK + _EDGE
    while t < ends:
        bank = level[t - _EDGE - _BANK : t - _EDGE].mean()
        if level[t] >= bank - DEPTH_DB or level[t - _EDGE] <= bank - DEPTH_DB / 2:
            t += 1
            continue
        u = t + 1
        last = min(t + most + 1, ends)
        while u < last and level[u] < bank - DEPTH_DB:
            u += 1
        if u - t < _SHORTEST_STEPS or u == last:
            t += 1
            continue
        beyond = level[u + _EDGE - 1 : u + _EDGE - 1 + _BANK].mean()
        if abs(beyond - bank) < DEPTH_DB / 2:
            found.append((t, u))
        t = u
    return found


@compiled
def _mean(levels, first, last):  # type: ignore[no-untyped-def]
    total = np.zeros(levels.shape[1])
    for step in range(first, last):
        total += levels[step]
    return total / (last - first)


@compiled
def _lost_db(levels, floor, t, u):  # type: ignore[no-untyped-def]
    """Tell by how much each band falls in a gap, what it gives back, how low over a floor it is.

    Returns
    -------
    depths, returns, over_floor
        In dB, one a band.
    """
    before = _mean(levels, t - _EDGE - _BANK, t - _EDGE)
    after = _mean(levels, u + _EDGE - 1, u + _EDGE - 1 + _BANK)
    within = np.zeros(_BANDS)
    lowest = np.zeros(_BANDS)
    for band in range(_BANDS):
        within[band] = np.median(levels[t:u, band])
        lowest[band] = levels[t:u, band].min()
    return np.minimum(before, after) - within, after - before, lowest - floor


class DropoutMeter:
    """Meter of dropouts in a stereo stream.

    Parameters
    ----------
    rate_hz
        Sample rate.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self._step = max(8, round(rate_hz * STEP_S / 8) * 8)
        self._lags = np.array([max(1, round(rate_hz * lag_s)) for lag_s in _LAGS_S])
        self._kept = np.zeros((int(self._lags[-1]), 2), np.float32)
        self._powers: list[Levels] = []

    def feed(self, block: Samples) -> None:
        """Take a block, shape (frames, 2), of any length."""
        sound = np.concatenate((self._kept, block))
        steps = max(0, (len(sound) - 2 * int(self._lags[-1])) // self._step)
        powers = np.empty((steps, 2, _BANDS), np.float32)
        _powers(sound.reshape(-1), self._lags, self._step, powers)
        self._kept = sound[steps * self._step :]
        self._powers.append(powers)

    def reading(self) -> DropoutReading:
        """Give the dropouts so far; the last few hundredths of a second are not judged."""
        powers = np.concatenate([np.zeros((0, 2, _BANDS), np.float32), *self._powers])
        if not len(powers):
            return DropoutReading(())
        levels = 10 * np.log10(np.maximum(powers / np.float32(self._step), _LEAST_POWER))
        mean = levels.mean(axis=2)
        found: list[Dropout] = []
        for channel in range(2):
            own, mate = levels[:, channel], levels[:, 1 - channel]
            floor = np.percentile(own, _FLOOR_PERCENT, axis=0)
            alone = {
                gap: depth_db
                for gap in _gaps(mean[:, channel] - mean[:, 1 - channel])
                if (depth_db := _of_one_channel(own, mate, floor, *gap))
            }
            both = {
                gap: depth_db
                for gap in _gaps(mean[:, channel])
                if (depth_db := _of_both(own, floor, *gap))
                and not any(gap[0] < u and gap[1] > t for t, u in alone)
            }
            found += [self._dropout(gap, depth, channel) for gap, depth in (alone | both).items()]
        return DropoutReading(tuple(sorted(found, key=lambda drop: (drop.at_s, drop.channel))))

    def _dropout(self, gap: tuple[int, int], depth_db: float, channel: int) -> Dropout:
        step_s = self._step / self.rate_hz
        return Dropout(gap[0] * step_s, (gap[1] - gap[0]) * step_s, depth_db, channel)


def _of_one_channel(own: Levels, mate: Levels, floor: Levels, t: int, u: int) -> float | None:
    """Give the depth of a loss that the other channel doesn't share; None if it is none."""
    depths, returns, over_floor = _lost_db(own, floor, t, u)
    mate_depths, mate_returns, _ = _lost_db(mate, floor, t, u)
    lost = depths.min() >= _LEAST_DEPTH_DB and (depths - mate_depths).min() >= DEPTH_DB
    returned = np.abs(returns - mate_returns).max() <= _MATE_RETURN_DB
    rests = np.abs(over_floor).max() <= _AT_FLOOR_DB
    return float(np.median(depths)) if lost and returned and not rests else None


def _of_both(own: Levels, floor: Levels, t: int, u: int) -> float | None:
    """Give the depth of a loss that takes the noise under its floor; None if it is none."""
    depths, returns, over_floor = _lost_db(own, floor, t, u)
    lost = depths.min() >= DEPTH_DB and np.abs(returns).max() <= _RETURN_DB
    sinks = over_floor.max() <= -_UNDER_FLOOR_DB
    return float(np.median(depths)) if lost and sinks else None
