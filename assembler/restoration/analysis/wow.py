"""Find cyclic wow: a change of speed that moves all partials alike, over and over at one rate.

A change of speed moves every partial by the same ratio at once, vibrato only those of one voice
(A. Czyżewski and others, "DSP Techniques for Determining Wow Distortion", J. Audio Eng. Soc. 55,
2007, from memory). One sine is fitted to what all partials do around their means (`common_sine`).
It is wow where one rate explains much of that, the partials agree, and the sine goes on from one
section to the next. Limits: tuned empirically on 24 pieces, steady and made to wow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from assembler.restoration.analysis.common_sine import Curve, best_common_sine, sections_of
from assembler.restoration.analysis.flutter import weighting
from assembler.restoration.analysis.partials import Partials

LOWEST_HZ, HIGHEST_HZ = 0.25, 8.0
"""Rates at which wow is looked for: beyond them sections are too short, or windows too long."""
_BEYOND_HZ = 0.3
"""How far above them is looked, lest the flank of a faster variation is taken for wow."""
_RATES_HZ = np.arange(LOWEST_HZ, HIGHEST_HZ + _BEYOND_HZ, 0.05)
_FEWEST_PARTIALS = 40
LEAST_WOW = 5e-4
"""What is less is inaudible, and can't be distinguished from music."""
_LEAST_SHARE, _LEAST_AGREEMENT, _LEAST_STEADINESS = 0.2, 0.55, 0.9
_EXACT_SHARE, _EXACT_STEADINESS = 0.4, 0.95
_EXACT_PARTIALS = 200
"""For a correction: on 86 wowed minutes of music it then leaves 4 % of the wow below 3 Hz, 10 to
14 % at 5 and 7 Hz (medians), 35 % at most."""
_VIBRATO_HZ, _VIBRATO = 3.5, 6e-3
"""Above that rate, more than that may be the vibrato of a solo voice or of an organ."""


@dataclass(frozen=True)
class CyclicWow:
    """A sine by which the speed of a side varies, with an amplitude and phase per section."""

    hz: float
    first_s: float
    step_s: float
    """Middle of the first section, and from one to the next."""
    cosines: tuple[float, ...]
    sines: tuple[float, ...]
    """Of each section: the speed is 1 + cosine · cos(2π hz t) + sine · sin(2π hz t)."""

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> CyclicWow:
        """Return the sine from its plain data."""
        waves = {name: tuple(data[name]) for name in ("cosines", "sines")}
        return cls(**{**data, **waves})

    @property
    def amplitudes(self) -> Curve:
        """Amplitude of each section, as a share of the speed."""
        return np.hypot(self.cosines, self.sines)

    @property
    def peak(self) -> float:
        """The usual amplitude."""
        return float(np.median(self.amplitudes))

    @property
    def most_s(self) -> float:
        """The most by which the sound is early or late."""
        return float(self.amplitudes.max()) / (2 * np.pi * self.hz)

    def ahead_s(self, times_s: Curve) -> Curve:
        """Return how far the tape is ahead of an even speed at some times."""
        middles = self.first_s + self.step_s * np.arange(len(self.cosines))
        cosine = np.interp(times_s, middles, self.cosines)
        sine = np.interp(times_s, middles, self.sines)
        turn = 2 * np.pi * self.hz * times_s
        ahead: Curve = (cosine * np.sin(turn) - sine * np.cos(turn)) / (2 * np.pi * self.hz)
        return ahead


@dataclass(frozen=True)
class WowReading:
    """Cyclic wow of a side."""

    cyclic: CyclicWow | None = None
    """None if there is none, or if it is not determined."""
    partials: int = 0
    """How many were compared."""
    agreement: float = 0.0
    """Share of them that move as the sine does, by what they can show."""
    steadiness: float = 0.0
    """Share of the sine's power that goes on from section to section."""
    share: float = 0.0
    """Share of all deviations' power that the sine explains."""
    reason: str = ""
    """Why it is not determined; empty if it is."""

    @property
    def percent(self) -> float:
        """Peak of the sine, percent of the speed; 0 without any."""
        return 100 * self.cyclic.peak if self.cyclic else 0.0

    @property
    def weighted_percent(self) -> float:
        """The same, weighted as in IEC 60386."""
        hz = np.array([self.cyclic.hz if self.cyclic else 0.0])
        return self.percent * float(weighting(hz)[0])

    @property
    def refusal(self) -> str:
        """Why it can't be corrected; empty if it can."""
        if self.cyclic is None:
            return self.reason or "no cyclic wow was found"
        if self.partials < _EXACT_PARTIALS:
            return "too few steady tones show it"
        if self.share < _EXACT_SHARE or self.steadiness < _EXACT_STEADINESS:
            return "the steady tones do not show it exactly enough"
        return ""


NOT_LOOKED_FOR = WowReading(reason="not looked for")


def wow_of(partials: Partials) -> WowReading:
    """Find cyclic wow in the partials of a side.

    Parameters
    ----------
    partials
        Of the side.
    """
    sections = list(sections_of(partials))
    count = sum(len(section.starts) - 1 for section in sections)
    if count < _FEWEST_PARTIALS:
        return WowReading(partials=count, reason="too few steady tones")
    fit = best_common_sine(sections, _RATES_HZ)
    found = WowReading(None, count, fit.agreement, fit.steadiness, fit.share)
    is_inside = LOWEST_HZ - 0.05 <= fit.hz <= HIGHEST_HZ + 0.05
    is_common = fit.share >= _LEAST_SHARE and fit.agreement >= _LEAST_AGREEMENT
    if not is_common or fit.steadiness < _LEAST_STEADINESS or not is_inside:
        return found
    phasors = fit.smooth / _seen(fit.hz * partials.window_s)
    cyclic = CyclicWow(
        fit.hz,
        float(sections[0].times_s.mean()),
        len(sections[0].times_s) * partials.step_s,
        tuple(map(float, phasors.real)),
        tuple(map(float, -phasors.imag)),
    )
    if cyclic.peak < LEAST_WOW:
        return found
    if cyclic.hz > _VIBRATO_HZ and cyclic.peak > _VIBRATO:
        return replace(found, reason=f"what varies at {cyclic.hz:.1f} Hz may be vibrato")
    return replace(found, cyclic=cyclic)


def _seen(turns: float) -> float:
    """Return the gain of a Hann window for a change of frequency of so many turns within it."""
    return float(np.sinc(turns) / (1 - turns**2)) if abs(turns - 1) > 1e-6 else 0.5
