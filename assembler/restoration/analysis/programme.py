"""Measure the level of a side every 10 ms, its noise floor, and the start and end of programme.

A high pass removes rumble and hum before a level is compared with the floor. The filters are
bilinear Butterworth sections (Audio EQ Cookbook, W3C Working Group Note, 2021).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples, feed_all
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import decibels
from assembler.restoration.analysis.noise_floor import (
    LOWEST_DB,
    Levels,
    floor_of_wide,
    noise_floor,
    runs,
    sounding,
)

STEP_S = 0.01
"""Length of a step; each has one level."""
STEPS_PER_SECOND = 100
WIDE_HZ = 20.0
WEIGHTED_HZ = 130.0
_QS = (math.sqrt(0.5), 0.5411961001461969, 1.3065629648763766)
"""Of the high passes: 12 dB per octave at `WIDE_HZ`, 24 dB per octave at `WEIGHTED_HZ`."""
_LEAST_READ_HZ = 44_100
_LEAST_SOUND_STEPS = 5
_SETTLED_STEPS = 5


@dataclass(frozen=True, eq=False)
class ProgrammeReading:
    """Level of a side over time."""

    levels_db: Levels
    """Mean level of both channels in each `STEP_S`, high-passed against rumble and hum: ten times
    the logarithm of the mean square, no lower than `LOWEST_DB`."""
    wide_db: Levels
    """The same, high-passed at 20 Hz only, so that bass alone counts as sound."""
    floor_db: float
    wide_floor_db: float
    """Noise floor of `levels_db` and of `wide_db`."""
    begins_s: float | None
    ends_s: float | None
    """First and last sound above the floor; None if there is none."""
    peak_dbfs: float | None
    """Highest sample; None for digital silence."""
    length_s: float
    over_print_db: Levels = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    """Level of each band above the noise print, in the same steps, shape (bands, steps); no bands
    if it was not measured."""
    without_hum_db: Levels | None = None
    """Level without the lines of the hum, in the same steps; None if there is no relevant hum."""

    @property
    def restored(self) -> ProgrammeReading:
        """The same with the level without the lines of the hum, if it was measured."""
        if self.without_hum_db is None:
            return self
        levels_db, peak_dbfs = self.without_hum_db, self.peak_dbfs
        restored = reading_of(levels_db, self.wide_db, peak_dbfs, self.length_s)
        return replace(restored, over_print_db=self.over_print_db)


@compiled
def _add_energies(
    flat: NDArray[Any],
    edges: NDArray[Any],
    sections: NDArray[Any],
    memory: NDArray[Any],
    sums: NDArray[Any],
) -> None:
    """Add the energies of interleaved samples to the sums of their steps.

    flat: interleaved samples; edges: first frame of each step after the first, and the end;
    sections: (3, 2) a1 and a2 of the high passes, whose zeros are all at 0 Hz; memory: (2, 10);
    sums: (steps, 2) wide and weighted. The filters' gains are left out.
    """
    a1, a2 = sections[0, 0], sections[0, 1]
    b1, b2 = sections[1, 0], sections[1, 1]
    c1, c2 = sections[2, 0], sections[2, 1]
    for c in range(2):
        x1, d1, y1, y2 = memory[c, 0], memory[c, 1], memory[c, 2], memory[c, 3]
        e1, u1, u2 = memory[c, 4], memory[c, 5], memory[c, 6]
        f1, v1, v2 = memory[c, 7], memory[c, 8], memory[c, 9]
        begin = 0
        for step in range(edges.shape[0]):
            wide, weighted = 0.0, 0.0
            for i in range(begin, edges[step]):
                x = np.float64(flat[2 * i + c])
                d = x - x1
                y = (d - d1 - a2 * y2) - a1 * y1
                e = y - y1
                u = (e - e1 - b2 * u2) - b1 * u1
                f = u - u1
                v = (f - f1 - c2 * v2) - c1 * v1
                wide += y * y
                weighted += v * v
                x1, d1, y2, y1 = x, d, y1, y
                e1, u2, u1 = e, u1, u
                f1, v2, v1 = f, v1, v
            sums[step, 0] += wide
            sums[step, 1] += weighted
            begin = edges[step]
            if abs(x1) + abs(y1) + abs(u1) + abs(v1) < 1e-15:  # no denormals
                d1 = y1 = y2 = e1 = u1 = u2 = f1 = v1 = v2 = 0.0
        memory[c, 0], memory[c, 1], memory[c, 2], memory[c, 3] = x1, d1, y1, y2
        memory[c, 4], memory[c, 5], memory[c, 6] = e1, u1, u2
        memory[c, 7], memory[c, 8], memory[c, 9] = f1, v1, v2


def _high_passes(rate_hz: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a1 and a2 of the three sections, and the energy gains of wide and weighted."""
    feedback, gains = np.zeros((3, 2)), []
    for n, (hz, q) in enumerate(zip((WIDE_HZ, WEIGHTED_HZ, WEIGHTED_HZ), _QS, strict=True)):
        k = math.tan(math.pi * hz / rate_hz)
        whole = 1 + k / q + k * k
        feedback[n] = 2 * (k * k - 1) / whole, (1 - k / q + k * k) / whole
        gains.append(whole**-2)
    return feedback, np.array([gains[0], gains[0] * gains[1] * gains[2]])


@compiled
def _fill_means(block: NDArray[Any], joined: int, means: NDArray[Any]) -> None:
    """Fill the means of so many adjacent samples each."""
    scale = np.float32(1 / joined)
    for i in range(means.shape[0]):
        left, right = np.float32(0), np.float32(0)
        for j in range(i * joined, (i + 1) * joined):
            left += block[j, 0]
            right += block[j, 1]
        means[i, 0], means[i, 1] = scale * left, scale * right


class Averages:
    """Means of adjacent samples of a stereo stream: a stream at a lower rate.

    This is a poor low pass: treble is aliased into the lower band. It is good enough for measuring
    levels, because aliases sound at the same time as the treble.

    Parameters
    ----------
    joined
        Samples per mean; 1 passes the stream unchanged.
    """

    def __init__(self, joined: int) -> None:
        self._joined = joined
        self._rest = np.zeros((0, 2), np.float32)

    def feed(self, block: Samples) -> Samples:
        """Add the next samples, shape (frames, 2), and return the means that are complete."""
        if self._joined == 1:
            return np.ascontiguousarray(block)
        block = np.concatenate((self._rest, block))
        whole = len(block) - len(block) % self._joined
        self._rest = block[whole:].copy()
        means = np.empty((whole // self._joined, 2), np.float32)
        _fill_means(block, self._joined, means)
        return means


class ProgrammeMeter:
    """Meter of a stereo side's level in steps of 10 ms.

    From 88.2 kHz up, adjacent samples are averaged so that fewer are filtered: programme above
    20 kHz is not measured.

    Parameters
    ----------
    rate_hz
        Sample rate, 1000 Hz or more.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self._joined = max(1, rate_hz // _LEAST_READ_HZ)
        self._feedback, self._gains = _high_passes(rate_hz / self._joined)
        self._memory = np.zeros((2, 10))
        self._averages = Averages(self._joined)
        self._frames = 0
        self._read = 0
        self._peak = 0.0
        self._unfinished = np.zeros(2)
        self._sums: list[NDArray[np.float64]] = []

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        if not len(block):
            return
        self._frames += len(block)
        self._peak = max(self._peak, float(block.max()), -float(block.min()))
        self._add(self._averages.feed(block))

    def _edge(self, step: Any) -> Any:
        """Return the first averaged frame of a step."""
        return -(-step * self.rate_hz // (STEPS_PER_SECOND * self._joined))

    def _step_at(self, frame: int) -> int:
        return frame * STEPS_PER_SECOND * self._joined // self.rate_hz

    def _add(self, block: Samples) -> None:
        if not len(block):
            return
        end = self._read + len(block)
        first, last = self._step_at(self._read), self._step_at(end)
        inner = self._edge(np.arange(first + 1, last + 1)) - self._read
        sums = np.zeros((len(inner) + 1, 2))
        edges = np.append(inner, len(block))
        _add_energies(block.reshape(-1), edges, self._feedback, self._memory, sums)
        sums[0] += self._unfinished
        self._unfinished = sums[-1]
        self._sums.append(sums[:-1])
        self._read = end

    def reading(self) -> ProgrammeReading:
        """Return the reading of all samples so far."""
        sums = np.concatenate((np.zeros((0, 2)), *self._sums, self._unfinished[None]))
        edges = np.append(self._edge(np.arange(len(sums))), self._read)
        lengths = np.diff(edges)
        if not lengths[-1]:
            sums, lengths = sums[:-1], lengths[:-1]
        means = sums * self._gains / (2 * lengths[:, None])
        levels = (10 * np.log10(np.maximum(means, 10 ** (LOWEST_DB / 10)))).astype(np.float32)
        return reading_of(
            levels[:, 1], levels[:, 0], decibels(self._peak), self._frames / self.rate_hz
        )


def reading_of(
    levels_db: Levels, wide_db: Levels, peak_dbfs: float | None, length_s: float
) -> ProgrammeReading:
    """Return the reading of measured levels: their floor, and where sound starts and ends."""
    floor_db = noise_floor(levels_db)
    wide_floor_db = floor_of_wide(wide_db, levels_db, floor_db)
    over = runs(sounding(levels_db, wide_db, floor_db, wide_floor_db))
    lasting = over[over[:, 1] - over[:, 0] >= _LEAST_SOUND_STEPS]
    return ProgrammeReading(
        levels_db=levels_db,
        wide_db=wide_db,
        floor_db=floor_db,
        wide_floor_db=wide_floor_db,
        begins_s=float(lasting[0, 0] * STEP_S) if len(lasting) else None,
        ends_s=float(min(lasting[-1, 1] * STEP_S, length_s)) if len(lasting) else None,
        peak_dbfs=peak_dbfs,
        length_s=length_s,
    )


def mean_level(blocks: Iterable[Samples], rate_hz: int) -> float | None:
    """Measure the mean level of a short passage above `WEIGHTED_HZ`, in dBFS; None for silence.

    The first hundredths of a second are left out because the filters settle.
    """
    meter = ProgrammeMeter(rate_hz)
    feed_all(blocks, meter)
    levels_db = meter.reading().levels_db.astype(np.float64)
    levels_db = levels_db[min(_SETTLED_STEPS, len(levels_db) // 2) :]
    powers = 10 ** (levels_db[levels_db > LOWEST_DB] / 10)
    return 10 * math.log10(powers.sum() / len(levels_db)) if len(powers) else None
