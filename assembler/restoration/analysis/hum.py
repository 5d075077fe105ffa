"""Find and measure mains hum.

Hum is steady over the side and music is not: a line of hum stands out of its neighbourhood when
that is quietest, keeps one level, and is never missing. Its harmonics are whole multiples of one
frequency near 50 or 60 Hz, which is off by as much as the speed of the tape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples, Windows
from assembler.restoration.analysis.low_band import Decimator

MAX_ERROR = 0.05
"""Largest deviation from 50 and 60 Hz, as a share."""
_FRAME = 8192
_HIGHEST_LINE_HZ = 640.0
_FEWEST_FRAMES = 8
_NEIGHBOURHOOD = 12
"""Bins on either side that are the neighbourhood of a line, without the nearest three."""
_FEWEST_QUIET = 6
_QUIET_PARTS = (5, 40)
"""One frame in so many is quiet: on a side with pauses, and in continuous music."""
_STANDS_OUT_DB = 7.0
_SPREAD_DB = 3.0
"""Largest spread of the middle 70 % of the quiet frames; music and noise have 5 dB or more."""
_MISSING_DB = 6.0
_PAIR_OUT_DB = 10.0
_SINGLE_OUT_DB = 20.0
_SINGLE_SPREAD_DB = 1.0
_TOLERANCE_HZ = 0.05
_BATCH_BINS = 256
_SILENT = 1e-16
"""Mean square of a frame without any sound, not even the noise of a converter."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Harmonic:
    """One harmonic of the hum."""

    number: int
    """1 for the mains frequency itself."""
    hz: float
    dbfs: float
    """Mean of both channels; a full-scale sine in both is 0 dB."""


@dataclass(frozen=True)
class HumReading:
    """Mains hum of a side."""

    nominal_hz: Literal[50, 60] | None
    """Nominal mains frequency; None if there is no hum."""
    mains_hz: float | None
    """Mains frequency as measured on this side."""
    harmonics: tuple[Harmonic, ...]
    """The harmonics that were found."""
    level_dbfs: float | None
    """Level of all harmonics together."""


@dataclass(frozen=True)
class _Line:
    """A steady line in the spectrum; `out` is the ratio of its power to its neighbourhood's."""

    hz: float
    out: float
    power: float
    spread_db: float


class HumMeter:
    """Meter of mains hum in a stereo stream."""

    def __init__(self, rate_hz: int) -> None:
        self._band = Decimator(rate_hz)
        self._bin_hz = self._band.rate_hz / _FRAME
        self._frames = Windows(_FRAME, _FRAME // 2)
        self._shape = np.hanning(_FRAME + 1)[:-1].astype(np.float32)[:, None]
        self._powers: list[Samples] = []

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        import scipy.fft

        for frame in self._frames.feed(self._band.feed(block)):
            if float(np.square(frame).mean()) < _SILENT:
                continue
            spectrum = scipy.fft.rfft(frame * self._shape, axis=0)
            lines = spectrum[: round(_HIGHEST_LINE_HZ * 1.06 / self._bin_hz)]
            self._powers.append((lines.real**2 + lines.imag**2).sum(axis=1))

    def reading(self) -> HumReading:
        """Return the hum found so far; none in less than about 12 s of sound."""
        if len(self._powers) < _FEWEST_FRAMES:
            return HumReading(None, None, (), None)
        counts = {max(_FEWEST_QUIET, len(self._powers) // part) for part in _QUIET_PARTS}
        lines = [_steady_lines(self._powers, count, self._bin_hz) for count in sorted(counts)]
        found = max((_series(some, nominal) for some in lines for nominal in (50, 60)), key=_weight)
        if not found:
            return HumReading(None, None, (), None)
        nominal: Literal[50, 60] = 50 if _mains_hz(found) < 55 else 60
        full_scale = 2 * (_FRAME / 4) ** 2
        harmonics = tuple(
            Harmonic(number, line.hz, 10 * float(np.log10(line.power / full_scale)))
            for number, line in sorted(found.items())
        )
        level = sum(10 ** (harmonic.dbfs / 10) for harmonic in harmonics)
        return HumReading(nominal, _mains_hz(found), harmonics, 10 * float(np.log10(level)))


def _steady_lines(powers: list[Samples], quiet: int, bin_hz: float) -> list[_Line]:
    """Find the lines that are steady in so many quiet frames; powers: (frames, bins)."""
    bins = len(powers[0])
    first = int(50 * (1 - MAX_ERROR) / bin_hz)
    lines = []
    for begin in range(first, bins - _NEIGHBOURHOOD, _BATCH_BINS):
        end = min(begin + _BATCH_BINS, bins - _NEIGHBOURHOOD)
        part = np.stack([row[begin - _NEIGHBOURHOOD : end + _NEIGHBOURHOOD] for row in powers])
        lines += _steady_in_batch(part.astype(np.float64), quiet, begin * bin_hz, bin_hz)
    return lines


def _steady_in_batch(powers: Array, frames: int, first_hz: float, bin_hz: float) -> list[_Line]:
    """Find the steady lines among the bins that have a whole neighbourhood."""
    bins = powers.shape[1] - 2 * _NEIGHBOURHOOD
    sums = np.concatenate((np.zeros((len(powers), 1)), powers.cumsum(axis=1)), axis=1)
    below = sums[:, _NEIGHBOURHOOD - 3 : _NEIGHBOURHOOD - 3 + bins] - sums[:, :bins]
    above = sums[:, 2 * _NEIGHBOURHOOD + 1 : 2 * _NEIGHBOURHOOD + 1 + bins]
    above = above - sums[:, _NEIGHBOURHOOD + 4 : _NEIGHBOURHOOD + 4 + bins]
    floor = np.maximum(below + above, 0) / (2 * (_NEIGHBOURHOOD - 3)) + 1e-30
    quiet = np.argpartition(floor, frames - 1, axis=0)[:frames]
    near = [
        powers[quiet, np.arange(k, k + bins)] for k in range(_NEIGHBOURHOOD - 1, _NEIGHBOURHOOD + 2)
    ]
    before, at, after = (np.median(power, axis=0) for power in near)
    background = np.median(np.take_along_axis(floor, quiet, axis=0), axis=0)
    low, high = np.percentile(near[1], (15, 85), axis=0)
    least = np.percentile(powers[:, _NEIGHBOURHOOD : _NEIGHBOURHOOD + bins], 10, axis=0)
    steady = (at > before) & (at >= after) & (at > background * _ratio(_STANDS_OUT_DB))
    steady &= (high < low * _ratio(_SPREAD_DB)) & (least * _ratio(_MISSING_DB) > at)
    lines = []
    for k in np.flatnonzero(steady):
        sides = np.maximum(np.array([before[k], at[k], after[k]]) - background[k], 1e-30)
        offset, power = _sine_peak(sides)
        spread_db = 10 * float(np.log10(high[k] / low[k]))
        lines.append(
            _Line(first_hz + (k + offset) * bin_hz, at[k] / background[k], power, spread_db)
        )
    return lines


def _ratio(level_db: float) -> float:
    return float(10 ** (level_db / 10))


def _sine_peak(powers: Array) -> tuple[float, float]:
    """Return the offset of a sine from the middle of three bins, and its power (Hann window)."""
    before, at, after = powers
    side, other = (1, after) if after > before else (-1, before)
    ratio = math.sqrt(other / at)
    offset = min(max((2 * ratio - 1) / (1 + ratio), 0.0), 0.5)
    gain = float(np.sinc(offset)) / (1 - offset**2)
    return side * offset, at / gain**2


def _series(lines: list[_Line], nominal: int) -> dict[int, _Line]:
    """Return the lines that are harmonics of one mains frequency; empty if they are too few."""
    best: dict[int, _Line] = {}
    for base in lines:
        number = round(base.hz / nominal)
        if not 1 <= number <= 6 or abs(base.hz / number / nominal - 1) > MAX_ERROR:
            continue
        series: dict[int, _Line] = {}
        mains_hz = base.hz / number
        for line in lines:
            k = max(1, round(line.hz / mains_hz))
            if abs(line.hz - k * mains_hz) < _TOLERANCE_HZ * (1 + k / number) and (
                k not in series or line.out > series[k].out
            ):
                series[k] = line
        if _weight(series) > _weight(best):
            best = series
    return best if _is_hum(best) else {}


def _is_hum(series: dict[int, _Line]) -> bool:
    """Return whether lines are hum: three together, or fewer that stand out."""
    if len(series) >= 3:
        return min(series) <= 3
    if len(series) == 2:
        return min(series) <= 2 and all(x.out > _ratio(_PAIR_OUT_DB) for x in series.values())
    return any(
        number <= 2 and line.out > _ratio(_SINGLE_OUT_DB) and line.spread_db < _SINGLE_SPREAD_DB
        for number, line in series.items()
    )


def _weight(series: dict[int, _Line]) -> float:
    return sum(float(np.log10(line.out)) for line in series.values())


def _mains_hz(series: dict[int, _Line]) -> float:
    """Return the mains frequency that fits all harmonics best."""
    weights = {number: min(line.out, 1e4) for number, line in series.items()}
    above = sum(weights[number] * number * line.hz for number, line in series.items())
    return above / sum(weights[number] * number**2 for number in series)
