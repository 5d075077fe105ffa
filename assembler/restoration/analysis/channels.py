"""Level, polarity, interchannel delay and DC offset of a transfer's two channels.

The spectra of both channels are compared in cells of 0.17 s by some 100 Hz, so small that many
hold a single source of sound; `shared_sound` and `channel_balance` draw delay,
polarity and balance from them.
IASA-TC 04 (from memory) asks for the azimuth of each tape to be set anew, since what it costs in
treble can't be given back later.

Whether left and right are swapped can't be heard from the sound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import decibels
from assembler.restoration.analysis.channel_balance import shared_balance
from assembler.restoration.analysis.interchannel_delay import (
    POLARITY_HZ,
    TOO_LITTLE,
    Stretch,
    drift,
    polarity,
    shared_delay,
)
from assembler.restoration.analysis.sampled_windows import (
    SampledWindows,
    hann,
    spectrum_of_both,
    window_samples,
)

COURSE_S = 10.0
"""One balance and one offset is read for each stretch of this length."""
DEAD_DB = 35.0
"""No programme has one side so far below the other all the time (common practice)."""

_STEP_S = 0.5
_WINDOW_S = 0.17
_HOP_S = 0.01
_CELL_BINS = 16
_HIGHEST_HZ = 16_000.0
_BALANCE_HZ = (200.0, 4000.0)
"""Above hum and rumble, below where tape and heads differ."""
_COHERENT = 0.5
_ONE_SOURCE = 0.9
_LEAST_POWER = 1e-12
"""Of a cell; below, rounding may count."""
_ROUNDING = 1e-13
_CERTAIN = 1.02
"""Puts a bound to the weight of a cell that is all coherent."""
_CERTAIN_SINGLE = 1.003
"""Sharper: what one channel has for itself moves the level ratio as it lowers the coherence."""
_DC_FADE_S = 1.0

_POLARITIES: tuple[Literal["unclear", "same", "opposite"], ...] = ("unclear", "same", "opposite")
"""By sign: 0, 1, −1."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ChannelReading:
    """What the two channels of a side have in common, and where they differ.

    Attributes
    ----------
    dc
        Mean of left and right, of full scale.
    balance_db
        How much louder the left is in the sound that both share; None if not determined.
    balance_course_db
        The same for each `COURSE_S`.
    polarity
        Of the right against the left.
    correlation
        Of left and right, −1 to 1, sample against sample; 0 if one is silent.
    offset_us
        By how much the right is late, in microseconds; None if not determined.
    offset_course_us
        The same for each `COURSE_S`.
    drift_us
        Between the least and the greatest offset of the course, single outliers left out; None
        with fewer than three stretches.
    balance_why, polarity_why, offset_why
        The reason where one is not determined; else empty.
    identical
        Both channels are the same, bit for bit.
    dead
        Channels that carry next to nothing while the other carries sound.
    rms_dbfs
        Level of left and right without their means, 0 dB for a square wave at full scale; None
        for silence.
    """

    dc: tuple[float, float]
    balance_db: float | None
    balance_course_db: tuple[float | None, ...]
    balance_why: str
    polarity: Literal["same", "opposite", "unclear"]
    polarity_why: str
    correlation: float
    offset_us: float | None
    offset_course_us: tuple[float | None, ...]
    offset_why: str
    drift_us: float | None
    identical: bool
    dead: tuple[Literal["left", "right"], ...]
    rms_dbfs: tuple[float | None, float | None]


@compiled
def _fill_cells(spectrum, powers, cross):  # type: ignore[no-untyped-def]
    """Sum powers and cross-power over each cell; spectrum: of left + j·right."""
    size = spectrum.shape[0]
    for cell in range(cross.shape[0]):
        left, right, real, imag = 0.0, 0.0, 0.0, 0.0
        for k in range((cell + 1) * _CELL_BINS, (cell + 2) * _CELL_BINS):
            p, q = spectrum[k], spectrum[size - k]
            lr, li = p.real + q.real, p.imag - q.imag
            rr, ri = p.imag + q.imag, q.real - p.real
            left += lr * lr + li * li
            right += rr * rr + ri * ri
            real += lr * rr + li * ri
            imag += li * rr - lr * ri
        powers[cell, 0], powers[cell, 1] = left, right
        cross[cell] = complex(real, imag)


@compiled
def _add_up(block, hop, filled, hop_sums, sums):  # type: ignore[no-untyped-def]
    """Add samples to the sums of their hops, and their products to sums[:3].

    hop_sums: left and right of each hop, left² and right² from the beginning up to its end;
    sums: left², right², left·right, samples that differ between the channels.
    """
    j = 0
    ll, rr, lr, differ = sums[0], sums[1], sums[2], sums[3]
    left, right = hop_sums[0, 0], hop_sums[0, 1]
    for i in range(block.shape[0]):
        x, y = np.float64(block[i, 0]), np.float64(block[i, 1])
        left += x
        right += y
        ll += x * x
        rr += y * y
        lr += x * y
        if x != y:
            differ += 1.0
        filled += 1
        if filled == hop:
            hop_sums[j, 0], hop_sums[j, 1], hop_sums[j, 2], hop_sums[j, 3] = left, right, ll, rr
            j += 1
            left, right = 0.0, 0.0
            filled = 0
    hop_sums[j, 0], hop_sums[j, 1] = left, right
    sums[0], sums[1], sums[2], sums[3] = ll, rr, lr, differ


class ChannelMeter:
    """Meter of a stereo stream's two channels.

    Parameters
    ----------
    rate_hz
        Sample rate.
    """

    def __init__(self, rate_hz: int) -> None:
        size = window_samples(rate_hz, _WINDOW_S)
        self._windows = SampledWindows(size, round(_STEP_S * rate_hz))
        self._read_windows = 0
        self._shape = hann(size)
        cells = int(min(_HIGHEST_HZ, 0.45 * rate_hz) * size / rate_hz) // _CELL_BINS - 1
        self._hz: Array = ((np.arange(cells) + 1.5) * _CELL_BINS - 0.5) * rate_hz / size
        self._in_balance = (self._hz > _BALANCE_HZ[0]) & (self._hz < _BALANCE_HZ[1])
        self._powers = np.zeros((cells, 2))
        self._cross = np.zeros(cells, np.complex128)
        self._course: list[Stretch] = []
        self._hop = round(_HOP_S * rate_hz)
        self._hop_sums = np.zeros((1, 4))
        self._full_hops: list[Array] = []
        self._samples = 0
        self._sums = np.zeros(4)

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (frames, 2)."""
        filled = self._samples % self._hop
        hop_sums = np.zeros(((filled + len(block)) // self._hop + 1, 4))
        hop_sums[0] = self._hop_sums[0]
        _add_up(block, self._hop, filled, hop_sums, self._sums)
        self._full_hops.append(hop_sums[:-1])
        self._hop_sums = hop_sums[-1:]
        self._samples += len(block)
        for window in self._windows.feed(block):
            self._read(window)

    def _read(self, window: Samples) -> None:
        """Take what the cells of one window tell."""
        if self._read_windows * _STEP_S % COURSE_S == 0:
            self._course.append(Stretch.empty(len(self._hz)))
        self._read_windows += 1
        stretch = self._course[-1]
        _fill_cells(spectrum_of_both(window, self._shape), self._powers, self._cross)
        sound: NDArray[np.bool_] = self._powers.min(axis=1) > _LEAST_POWER
        left, right = np.where(sound[:, None], self._powers, 1.0).T
        size = np.abs(self._cross)
        coherence = np.where(sound, size**2 / (left * right), 0.0)
        counts = coherence > _COHERENT
        weight = np.where(counts, coherence / (_CERTAIN - coherence), 0.0)
        stretch.phasors += weight * self._cross / np.where(counts, size, 1.0)
        stretch.weights += weight
        stretch.squares += weight**2
        bass = sound & (self._hz < POLARITY_HZ)
        product = np.sqrt(left[bass] * right[bass])
        stretch.bass += float((self._cross.real[bass] / product).sum())
        stretch.bass_cells += int(bass.sum())
        one = np.flatnonzero(self._in_balance & (coherence > _ONE_SOURCE))
        ratio_db = 10 * np.log10(left[one] / right[one])
        certain = 1 / (_CERTAIN_SINGLE - coherence[one])
        told = np.stack((one, certain, ratio_db, np.angle(self._cross[one])), axis=1)
        stretch.told.append(told.astype(np.float32))

    def reading(self) -> ChannelReading:
        """Return what was found so far; what is not determined says why."""
        powers = self._powers_without_means()
        rms_dbfs = (decibels(math.sqrt(powers[0])), decibels(math.sqrt(powers[1])))
        correlation, dead = self._correlation(powers), _dead(powers)
        course = [] if dead or not min(powers) else self._course
        delay = shared_delay(self._hz, course)
        sign, polarity_why = polarity(course, delay, correlation) if course else (0, TOO_LITTLE)
        nothing: tuple[float | None, ...] = (None,) * len(self._course)
        balance_db, balances_db, balance_why = None, nothing, delay.why
        if delay.late_s is not None:
            levels_db = 10 * math.log10(powers[0] / powers[1])
            balance_db, balances_db, balance_why = shared_balance(
                self._hz, course, delay.late_s, delay.sign, levels_db
            )
        return ChannelReading(
            dc=self._dc(),
            balance_db=balance_db,
            balance_course_db=balances_db,
            balance_why=balance_why,
            polarity=_POLARITIES[sign],
            polarity_why=polarity_why,
            correlation=correlation,
            offset_us=None if delay.late_s is None else delay.late_s * 1e6,
            offset_course_us=delay.course_us or nothing,
            offset_why=delay.why,
            drift_us=drift(delay.course_us),
            identical=bool(self._samples and not self._sums[3]),
            dead=dead,
            rms_dbfs=rms_dbfs,
        )

    def _dc(self) -> tuple[float, float]:
        """Give the mean of each channel, faded in and out so that a cut bass wave doesn't count."""
        sums = np.concatenate(self._full_hops) if self._full_hops else self._hop_sums[:0]
        if not len(sums):
            left, right = self._hop_sums[0, :2] / max(self._samples, 1)
            return float(left), float(right)
        means = sums[:, :2] / self._hop
        ramp = min(round(_DC_FADE_S / _HOP_S), len(means) // 2)
        fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / max(ramp, 1))
        weights = np.ones(len(means))
        weights[:ramp] = fade
        weights[len(means) - ramp :] = fade[::-1]
        left, right = weights @ means / weights.sum()
        return float(left), float(right)

    def _totals(self) -> Array:
        totals: Array = self._hop_sums[0, :2].copy()
        for hops in self._full_hops:
            totals += hops[:, :2].sum(axis=0)
        return totals

    def _powers_without_means(self) -> tuple[float, float]:
        count = max(self._samples, 1)
        means = self._totals() / count
        raw = self._sums[:2] / count
        powers = raw - means**2
        left, right = np.where(powers > _ROUNDING * raw, powers, 0.0)
        return float(left), float(right)

    def _correlation(self, powers: tuple[float, float]) -> float:
        if not min(powers):
            return 0.0
        left, right = self._totals() / self._samples
        together = self._sums[2] / self._samples - left * right
        return float(np.clip(together / math.sqrt(powers[0] * powers[1]), -1.0, 1.0))


def _dead(powers: tuple[float, float]) -> tuple[Literal["left", "right"], ...]:
    share = 10 ** (-DEAD_DB / 10)
    if powers[0] < share * powers[1]:
        return ("left",)
    return ("right",) if powers[1] < share * powers[0] else ()
