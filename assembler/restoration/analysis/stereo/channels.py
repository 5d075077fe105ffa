"""Measure level, polarity, interchannel delay, balance and DC offset of a transfer's two channels.

The spectra of both channels are compared in cells of 0.17 s by about 100 Hz, so small that many
hold a single source of sound; `interchannel_delay` and `channel_balance` measure delay, polarity
and balance from them.
IASA-TC 04 (from memory) asks that the azimuth be set for each tape, because the treble that is lost
by an azimuth error can't be restored later.

Whether left and right are swapped can't be determined from the sound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import decibels
from assembler.restoration.analysis.stereo.cells import SOURCES_HZ, Cells, CellSpectra
from assembler.restoration.analysis.stereo.channel_balance import channel_balance
from assembler.restoration.analysis.stereo.cross_spectrum import CrossSpectrum
from assembler.restoration.analysis.stereo.interchannel_delay import (
    POLARITY_HZ,
    SECTIONS_DISAGREE,
    TOO_LITTLE,
    drift,
    interchannel_delay,
    polarity,
)

SECTION_S = 10.0
"""Balance and delay are measured for each section of this length."""
DEAD_DB = 35.0
"""No programme has one channel so far below the other throughout. Tuned empirically on music."""

_STEP_S = 0.5
_HOP_S = 0.01
_COHERENT = 0.5
_ROUNDING = 1e-13
_CERTAIN = 1.02
"""Limits the weight of a cell that is fully coherent."""
_DC_FADE_S = 1.0

_POLARITIES: tuple[Literal["unclear", "same", "opposite"], ...] = ("unclear", "same", "opposite")
"""By sign: 0, 1, −1."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ChannelReading:
    """How the two channels of a side relate."""

    dc: tuple[float, float]
    """Mean of left and right, relative to full scale."""
    balance_db: float | None
    """By how much left is louder in the sound common to both; None if not determined."""
    section_balances_db: tuple[float | None, ...]
    """The same for each `SECTION_S`."""
    balance_reason: str
    """Why it is not determined; empty if it is. So for the other reasons."""
    polarity: Literal["same", "opposite", "unclear"]
    """Of right re left."""
    polarity_reason: str
    correlation: float
    """Of the samples of left and right, −1 to 1; 0 if one is silent."""
    delay_us: float | None
    """Delay of right re left in microseconds; None if not determined."""
    section_delays_us: tuple[float | None, ...]
    """The same for each `SECTION_S`."""
    delay_reason: str
    drift_us: float | None
    """Range of the section delays, single outliers left out; None with fewer than three."""
    identical: bool
    """Both channels are the same, bit for bit."""
    dead: tuple[Literal["left", "right"], ...]
    """Channels with next to no signal while the other has sound."""
    rms_dbfs: tuple[float | None, float | None]
    """RMS level of left and right without DC, 0 dB for a square wave at full scale; None for
    silence."""


@compiled
def _add_up(
    block: NDArray[Any], hop: int, filled: int, hop_sums: NDArray[Any], sums: NDArray[Any]
) -> None:
    """Add samples to the sums of their hops, and their products to the sums of the side.

    hop_sums: sum of left and of right in each hop; sums: left², right², left·right, and the number
    of samples that differ between the channels.
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
            hop_sums[j, 0], hop_sums[j, 1] = left, right
            j += 1
            left, right = 0.0, 0.0
            filled = 0
    hop_sums[j, 0], hop_sums[j, 1] = left, right
    sums[0], sums[1], sums[2], sums[3] = ll, rr, lr, differ


class ChannelMeter:
    """Meter of a stereo stream's two channels."""

    def __init__(self, rate_hz: int) -> None:
        self._spectra = CellSpectra(rate_hz, _STEP_S)
        self._hz = self._spectra.hz
        self._window_count = 0
        self._in_balance = (self._hz > SOURCES_HZ[0]) & (self._hz < SOURCES_HZ[1])
        self._sections: list[CrossSpectrum] = []
        self._hop = round(_HOP_S * rate_hz)
        self._hop_sums = np.zeros((1, 2))
        self._full_hops: list[Array] = []
        self._samples = 0
        self._sums = np.zeros(4)

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        filled = self._samples % self._hop
        hop_sums = np.zeros(((filled + len(block)) // self._hop + 1, 2))
        hop_sums[0] = self._hop_sums[0]
        _add_up(block, self._hop, filled, hop_sums, self._sums)
        self._full_hops.append(hop_sums[:-1])
        self._hop_sums = hop_sums[-1:]
        self._samples += len(block)
        for cells in self._spectra.feed(block):
            self._add_cells(cells)

    def _add_cells(self, cells: Cells) -> None:
        """Add the cells of each window to the section that it is in."""
        coherence = cells.coherence
        coherent = coherence > _COHERENT
        weights = np.where(coherent, coherence / (_CERTAIN - coherence), 0.0)
        phasors = weights * cells.cross / np.where(coherent, cells.size, 1.0)
        bass = cells.audible & (self._hz < POLARITY_HZ)
        correlations = cells.cross.real / np.sqrt(cells.left * cells.right)
        for window, weight in enumerate(weights):
            if self._window_count * _STEP_S % SECTION_S == 0:
                self._sections.append(CrossSpectrum.empty(len(self._hz)))
            self._window_count += 1
            section = self._sections[-1]
            section.phasors += phasors[window]
            section.weights += weight
            section.squared_weights += weight**2
            section.bass_correlation += float(correlations[window, bass[window]].sum())
            section.bass_cells += int(bass[window].sum())
            section.sources.append(cells.single_sources(window, self._in_balance))

    def reading(self) -> ChannelReading:
        """Return the reading of all samples so far, with reasons for what is not determined."""
        for cells in self._spectra.rest():
            self._add_cells(cells)
        powers = self._powers_without_means()
        rms_dbfs = (decibels(math.sqrt(powers[0])), decibels(math.sqrt(powers[1])))
        correlation, dead = self._correlation(powers), _dead(powers)
        sections = [] if dead or not min(powers) else self._sections
        delay = interchannel_delay(self._hz, sections)
        sign, reason = polarity(sections, delay, correlation) if sections else (0, TOO_LITTLE)
        nothing: tuple[float | None, ...] = (None,) * len(self._sections)
        balance_db, balances_db, balance_reason = None, nothing, delay.reason
        if delay.reason != TOO_LITTLE:
            balance_reason = "it needs the interchannel delay"
        delays_s: list[float | None] = [delay.delay_s] * len(sections)
        if delay.delay_s is None and delay.reason.startswith(SECTIONS_DISAGREE):
            delays_s = [us if us is None else us * 1e-6 for us in delay.section_delays_us]
        if sign and any(delay_s is not None for delay_s in delays_s):
            levels_db = 10 * math.log10(powers[0] / powers[1])
            balance_db, balances_db, balance_reason = channel_balance(
                self._hz, sections, delays_s, delay.sign or sign, levels_db
            )
        return ChannelReading(
            dc=self._dc(),
            balance_db=balance_db,
            section_balances_db=balances_db,
            balance_reason=balance_reason,
            polarity=_POLARITIES[sign],
            polarity_reason=reason,
            correlation=correlation,
            delay_us=None if delay.delay_s is None else delay.delay_s * 1e6,
            section_delays_us=delay.section_delays_us or nothing,
            delay_reason=delay.reason,
            drift_us=drift(delay.section_delays_us),
            identical=bool(self._samples and not self._sums[3]),
            dead=dead,
            rms_dbfs=rms_dbfs,
        )

    def _dc(self) -> tuple[float, float]:
        """Return the mean of each channel, faded in and out so that cut bass waves don't count."""
        sums = np.concatenate(self._full_hops) if self._full_hops else self._hop_sums[:0]
        if not len(sums):
            left, right = self._hop_sums[0] / max(self._samples, 1)
            return float(left), float(right)
        means = sums / self._hop
        ramp = min(round(_DC_FADE_S / _HOP_S), len(means) // 2)
        fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / max(ramp, 1))
        weights = np.ones(len(means))
        weights[:ramp] = fade
        weights[len(means) - ramp :] = fade[::-1]
        left, right = weights @ means / weights.sum()
        return float(left), float(right)

    def _totals(self) -> Array:
        totals: Array = self._hop_sums[0].copy()
        for hops in self._full_hops:
            totals += hops.sum(axis=0)
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
