"""How the two channels of a transfer stand to each other: level, polarity, lateness, offset from 0.

The spectra of both channels are compared in cells of 0.17 s by some 100 Hz, so small that many
hold a single source of sound; `shared_sound` draws lateness, polarity and balance from them.
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

from assembler.sound.blocks import Samples
from assembler.sound.compiled import compiled
from assembler.sound.decibels import decibels
from assembler.transfers.sampled_windows import (
    SampledWindows,
    hann,
    spectrum_of_both,
    window_samples,
)
from assembler.transfers.shared_sound import (
    POLARITY_HZ,
    Stretch,
    balances,
    bass_sign,
    course_offset_us,
    drift,
    is_sure,
    lateness,
    steady_difference,
    together,
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

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ChannelReading:
    """What the two channels of a side have in common, and where they differ.

    Attributes
    ----------
    dc
        Mean of left and right, of full scale.
    balance_db
        How much louder the left is in the sound that both share; None if it can't be told.
    balance_course_db
        The same for each `COURSE_S`.
    balance_by_level
        The balance is the steady difference of both levels, for want of sound in the middle.
    polarity
        Of the right against the left.
    correlation
        Of left and right, −1 to 1, sample against sample; 0 if one is silent.
    offset_us
        By how much the right is late, in microseconds; None if it can't be told.
    offset_course_us
        The same for each `COURSE_S`.
    drift_us
        Between the least and the greatest offset of the course, single outliers left out; None
        with fewer than three stretches.
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
    balance_by_level: bool
    polarity: Literal["same", "opposite", "unclear"]
    correlation: float
    offset_us: float | None
    offset_course_us: tuple[float | None, ...]
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
            self._course.append(Stretch(np.zeros(len(self._hz), np.complex128)))
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
        stretch.weight += float(weight.sum())
        stretch.squares += float(weight @ weight)
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
        """Give what was found so far."""
        powers = self._powers_without_means()
        dead = _dead(powers)
        side = together(self._course) if self._course and not dead else None
        late = lateness(self._hz, side) if side else None
        offset_us: float | None = None
        balance_db: float | None = None
        nothing: tuple[float | None, ...] = (None,) * len(self._course)
        offsets_us, balances_db = nothing, nothing
        if side and late:
            if is_sure(self._hz, side, *late):
                offset_us = late[0] * 1e6
                offsets_us = tuple(course_offset_us(self._hz, s, *late) for s in self._course)
            balance_db, balances_db = balances(self._hz, self._course, *late)
        by_level = balance_db is None and late is not None
        if by_level:
            balance_db = steady_difference(self._levels())
        sign = late[1] if late else bass_sign(side) if side else 0
        polarities: tuple[Literal["unclear", "same", "opposite"], ...]
        polarities = ("unclear", "same", "opposite")
        return ChannelReading(
            dc=self._dc(),
            balance_db=balance_db,
            balance_course_db=balances_db,
            balance_by_level=by_level and balance_db is not None,
            polarity=polarities[sign],
            correlation=self._correlation(powers),
            offset_us=offset_us,
            offset_course_us=offsets_us,
            drift_us=drift(offsets_us),
            identical=bool(self._samples and not self._sums[3]),
            dead=dead,
            rms_dbfs=(decibels(math.sqrt(powers[0])), decibels(math.sqrt(powers[1]))),
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

    def _levels(self) -> Array:
        """Give the power of left and right in each stretch of the course, without their means."""
        hops = np.concatenate(self._full_hops)
        count = round(COURSE_S / _HOP_S)
        hops = hops[: len(hops) // count * count].reshape(-1, count, 4)
        energies = np.diff(hops[:, -1, 2:], axis=0, prepend=np.zeros((1, 2)))
        size = count * self._hop
        levels: Array = energies / size - (hops[:, :, :2].sum(axis=1) / size) ** 2
        return levels

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
