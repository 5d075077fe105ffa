"""Hum of the mains: found, measured, taken out.

Hum is steady over the side and music isn't: a harmonic of the hum is what stands out of its
neighbourhood in the moments when that is quietest, at one level, and is never missing. Its
harmonics lie at whole multiples of one frequency near 50 or 60 Hz, off by as much as the tape's
speed is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.hum_tracking import HumSubtraction
from assembler.restoration.analysis.low_band import HIGHEST_HZ, LowBand

SPEED_OFF = 0.05
"""Hum is looked for this far from 50 and 60 Hz, as a share."""
_FRAME = 8192
_HIGHEST_LINE_HZ = 640.0
_FEWEST_FRAMES = 8
_AROUND = 12
"""Bins on either side, the nearest three left out, that are a line's neighbourhood."""
_FEWEST_QUIET = 6
_QUIET_PARTS = (5, 40)
"""One frame in so many counts as quiet: in music all through, and on a side with pauses."""
_STANDS_OUT_DB = 7.0
_SPREAD_DB = 3.0
"""Of the middle 70 % of the quiet frames; that of music and noise is 5 dB and more."""
_MISSING_DB = 6.0
_TWO_OUT_DB = 10.0
_ALONE_OUT_DB = 20.0
_ALONE_SPREAD_DB = 1.0
_APART_HZ = 0.05
_BINS_AT_ONCE = 256
_SILENT = 1e-16
"""Mean square of a frame that holds no sound, not even a converter's noise."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Harmonic:
    """One harmonic of the hum.

    Attributes
    ----------
    number
        1 for the mains frequency itself.
    hz
        As measured.
    dbfs
        Mean of both channels; a sine at full scale in both has 0 dB.
    """

    number: int
    hz: float
    dbfs: float


@dataclass(frozen=True)
class HumReading:
    """Hum of a side.

    Attributes
    ----------
    nominal_hz
        Mains frequency that it comes from; None where no hum is heard.
    mains_hz
        Mains frequency as it reads on this side.
    harmonics
        Those that were heard.
    level_dbfs
        Of all harmonics together.
    """

    nominal_hz: Literal[50, 60] | None
    mains_hz: float | None
    harmonics: tuple[Harmonic, ...]
    level_dbfs: float | None


@dataclass(frozen=True)
class _Line:
    """A steady line in the spectrum; `out` is its power above its neighbourhood's."""

    hz: float
    out: float
    power: float
    spread_db: float


class HumMeter:
    """Meter of mains hum in a stereo stream.

    Parameters
    ----------
    rate_hz
        Sample rate.
    """

    def __init__(self, rate_hz: int) -> None:
        self._band = LowBand(rate_hz)
        self._bin_hz = self._band.rate_hz / _FRAME
        self._kept = np.zeros((0, 2), np.float32)
        self._shape = np.hanning(_FRAME + 1)[:-1].astype(np.float32)[:, None]
        self._powers: list[Samples] = []

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (frames, 2)."""
        import scipy.fft

        low = np.concatenate((self._kept, self._band.feed(block)))
        while len(low) >= _FRAME:
            frame = low[:_FRAME]
            low = low[_FRAME // 2 :]
            if float(np.square(frame).mean()) < _SILENT:
                continue
            spectrum = scipy.fft.rfft(frame * self._shape, axis=0)
            lines = spectrum[: round(_HIGHEST_LINE_HZ * 1.06 / self._bin_hz)]
            self._powers.append((lines.real**2 + lines.imag**2).sum(axis=1))
        self._kept = low

    def reading(self) -> HumReading:
        """Give what was found so far; nothing in less than about 12 s of sound."""
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
    """Find the lines that are steady in so many quiet frames; powers: of each frame and bin."""
    bins = len(powers[0])
    first = int(50 * (1 - SPEED_OFF) / bin_hz)
    lines = []
    for begin in range(first, bins - _AROUND, _BINS_AT_ONCE):
        end = min(begin + _BINS_AT_ONCE, bins - _AROUND)
        part = np.stack([row[begin - _AROUND : end + _AROUND] for row in powers])
        lines += _steady_in(part.astype(np.float64), quiet, begin * bin_hz, bin_hz)
    return lines


def _steady_in(powers: Array, frames: int, first_hz: float, bin_hz: float) -> list[_Line]:
    """Find the lines that are steady among the bins that have `_AROUND` bins on either side."""
    bins = powers.shape[1] - 2 * _AROUND
    sums = np.concatenate((np.zeros((len(powers), 1)), powers.cumsum(axis=1)), axis=1)
    below = sums[:, _AROUND - 3 : _AROUND - 3 + bins] - sums[:, :bins]
    above = sums[:, 2 * _AROUND + 1 : 2 * _AROUND + 1 + bins]
    above = above - sums[:, _AROUND + 4 : _AROUND + 4 + bins]
    floor = np.maximum(below + above, 0) / (2 * (_AROUND - 3)) + 1e-30
    quiet = np.argpartition(floor, frames - 1, axis=0)[:frames]
    near = [powers[quiet, np.arange(k, k + bins)] for k in range(_AROUND - 1, _AROUND + 2)]
    before, at, after = (np.median(power, axis=0) for power in near)
    ground = np.median(np.take_along_axis(floor, quiet, axis=0), axis=0)
    low, high = np.percentile(near[1], (15, 85), axis=0)
    least = np.percentile(powers[:, _AROUND : _AROUND + bins], 10, axis=0)
    kept = (at > before) & (at >= after) & (at > ground * _ratio(_STANDS_OUT_DB))
    kept &= (high < low * _ratio(_SPREAD_DB)) & (least * _ratio(_MISSING_DB) > at)
    lines = []
    for k in np.flatnonzero(kept):
        sides = np.maximum(np.array([before[k], at[k], after[k]]) - ground[k], 1e-30)
        away, power = _crest(sides)
        spread_db = 10 * float(np.log10(high[k] / low[k]))
        lines.append(_Line(first_hz + (k + away) * bin_hz, at[k] / ground[k], power, spread_db))
    return lines


def _ratio(level_db: float) -> float:
    return float(10 ** (level_db / 10))


def _crest(powers: Array) -> tuple[float, float]:
    """Give how far a sine lies from the middle of three bins, and its power (Hann window)."""
    before, at, after = powers
    side, other = (1, after) if after > before else (-1, before)
    ratio = math.sqrt(other / at)
    away = min(max((2 * ratio - 1) / (1 + ratio), 0.0), 0.5)
    crest = float(np.sinc(away)) / (1 - away**2)
    return side * away, at / crest**2


def _series(lines: list[_Line], nominal: int) -> dict[int, _Line]:
    """Find the lines that are harmonics of one mains frequency; {} if they are too few."""
    best: dict[int, _Line] = {}
    for base in lines:
        number = round(base.hz / nominal)
        if not 1 <= number <= 6 or abs(base.hz / number / nominal - 1) > SPEED_OFF:
            continue
        series: dict[int, _Line] = {}
        mains_hz = base.hz / number
        for line in lines:
            k = max(1, round(line.hz / mains_hz))
            if abs(line.hz - k * mains_hz) < _APART_HZ * (1 + k / number) and (
                k not in series or line.out > series[k].out
            ):
                series[k] = line
        if _weight(series) > _weight(best):
            best = series
    return best if _sure(best) else {}


def _sure(series: dict[int, _Line]) -> bool:
    """Tell whether lines are hum: three together, or fewer that stand out."""
    if len(series) >= 3:
        return min(series) <= 3
    if len(series) == 2:
        return min(series) <= 2 and all(x.out > _ratio(_TWO_OUT_DB) for x in series.values())
    return any(
        number <= 2 and line.out > _ratio(_ALONE_OUT_DB) and line.spread_db < _ALONE_SPREAD_DB
        for number, line in series.items()
    )


def _weight(series: dict[int, _Line]) -> float:
    return sum(float(np.log10(line.out)) for line in series.values())


def _mains_hz(series: dict[int, _Line]) -> float:
    """Give the mains frequency that fits all harmonics best."""
    weights = {number: min(line.out, 1e4) for number, line in series.items()}
    above = sum(weights[number] * number * line.hz for number, line in series.items())
    return above / sum(weights[number] * number**2 for number in series)


def dehum(
    blocks: Iterable[Samples], rate_hz: int, hum_hz: float, harmonics: int
) -> Iterator[Samples]:
    """Take hum out by subtracting sines that follow its harmonics.

    Parameters
    ----------
    blocks
        The sound, shape (frames, 2).
    rate_hz
        Sample rate.
    hum_hz
        Mains frequency as it reads on this side, within 0.1 %.
    harmonics
        How many, from the first; those above 800 Hz are left.

    Yields
    ------
    ndarray of float32
        As many samples in all as come in, at the same places.
    """
    numbers = np.arange(1, harmonics + 1)
    numbers = numbers[numbers * hum_hz < min(HIGHEST_HZ, 0.45 * rate_hz)]
    if not len(numbers):
        yield from blocks
        return
    subtraction = HumSubtraction(rate_hz, hum_hz, numbers.astype(np.float64))
    for block in blocks:
        yield from subtraction.feed(block)
    yield from subtraction.finish()
