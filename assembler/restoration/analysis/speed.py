"""Measure speed error, wow and flutter from a reference tone; estimate the speed from hum.

IASA-TC 04 (from memory) recommends that reference tones on a tape be transferred with it: they show
speed, level and azimuth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples, Windows
from assembler.restoration.analysis.flutter import FlutterReading, tone_flutter
from assembler.restoration.analysis.hum import HumReading
from assembler.restoration.analysis.spectra import (
    hann,
    spectrum_of_both,
    window_samples,
)
from assembler.text import clock_text

REFERENCE_TONES_HZ = (315, 400, 440, 1000, 3150, 10_000)
"""Test and line-up tones; 315, 1000, 3150 and 10,000 Hz are on test tapes of IEC 60094 (from
memory)."""
MAX_ERROR = 0.04
"""Largest deviation from a nominal frequency, as a share."""
_STEP_S = 0.5
"""Between windows; within a tone there is no gap between them, so that flutter averages out."""
_WINDOW_S = 0.085
_SHORTEST_S = 2.2
"""Shortest run of windows; any tone of 3 s fills it."""
_TONE_SHARE = 0.9
"""Share of all power: besides the tone there may be noise, hum and little else."""
_STEADY_SHARE = 0.004
_STEADY_POWER = 2.0
_SILENT = 1e-10
_FLUTTER_S = 30.0
"""Of a tone, from its start, in which wow and flutter are measured."""


@dataclass(frozen=True)
class SpeedReading:
    """Speed error of a transfer."""

    percent_slow: float
    """Positive if a nominal 1000 Hz measures lower."""
    how: str
    """How it was measured, as text for a report."""
    is_guess: bool = False
    """Whether only hum was measured, which may come from the deck or the cables of the transfer."""
    flutter: FlutterReading | None = None
    """Wow and flutter of the tone, if it is long enough."""

    @property
    def factor(self) -> float:
        """Factor by which the transfer must run faster (`change_speed`)."""
        return 1 / (1 - self.percent_slow / 100)


@dataclass(frozen=True)
class _Tone:
    at_s: float
    hz: float
    power: float
    mono: NDArray[np.float32]
    """The louder channel; empty where it is not needed."""


class ToneMeter:
    """Meter of a steady reference tone in a stereo stream."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._size = window_samples(rate_hz, _WINDOW_S)
        self._step = round(_STEP_S * rate_hz)
        self._windows = Windows(self._size, self._step)
        self._shape = hann(self._size)
        self._run: list[_Tone] = []
        self._longest: list[_Tone] = []

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        for window in self._windows.feed(block):
            tone = self._tone(window)
            if tone is None or (self._run and not _is_same(self._run[-1], tone)):
                self._run = []
            if tone:
                is_needed = len(self._run) * self._size < _FLUTTER_S * self._rate_hz
                self._run.append(tone if is_needed else replace(tone, mono=tone.mono[:0]))
            if len(self._run) > len(self._longest):
                self._longest = self._run
            self._windows.step = self._size if tone else self._step

    def _tone(self, window: Samples) -> _Tone | None:
        """Return the tone of a window that holds a single one, else None."""
        spectrum = spectrum_of_both(window, self._shape)
        power = spectrum.real.astype(np.float64) ** 2 + spectrum.imag.astype(np.float64) ** 2
        half = len(power) // 2
        powers = power[1:half] + power[:half:-1]
        lowest = int(100 * len(power) / self._rate_hz)
        total = float(powers[lowest:].sum())
        top = lowest + int(powers[lowest:].argmax())
        if total < _SILENT * len(power) or not 2 <= top < len(powers) - 2:
            return None
        if powers[top - 2 : top + 3].sum() < _TONE_SHARE * total:
            return None
        hz = (top + 1 + _offset(powers[top - 1 : top + 2])) * self._rate_hz / len(power)
        louder = int(np.square(window).sum(axis=0).argmax())
        return _Tone(self._windows.start / self._rate_hz, hz, total, window[:, louder].copy())

    def reading(self) -> SpeedReading | None:
        """Return the speed by the longest tone so far; None without one near a reference."""
        if len(self._longest) * self._size < _SHORTEST_S * self._rate_hz:
            return None
        hz = float(np.mean([tone.hz for tone in self._longest]))
        nominal = min(REFERENCE_TONES_HZ, key=lambda reference: abs(hz / reference - 1))
        if abs(hz / nominal - 1) > MAX_ERROR:
            return None
        at = clock_text(self._longest[0].at_s)
        how = f"the tone at {at} measures {hz:.2f} Hz, nearest reference {nominal} Hz"
        mono = np.concatenate([tone.mono for tone in self._longest])
        flutter = tone_flutter(mono, self._rate_hz, hz)
        return SpeedReading(100 * (1 - hz / nominal), how, flutter=flutter)


def _is_same(before: _Tone, after: _Tone) -> bool:
    steady = abs(after.hz / before.hz - 1) < _STEADY_SHARE
    return steady and 1 / _STEADY_POWER < after.power / before.power < _STEADY_POWER


def _offset(near: NDArray[np.float64]) -> float:
    """Return the offset of a sine from the middle of three bins of a Hann window's spectrum."""
    before, at, after = np.sqrt(near)
    side, other = (1.0, after) if after > before else (-1.0, before)
    ratio = other / at
    return float(side * (2 * ratio - 1) / (1 + ratio))


def speed_from_hum(hum: HumReading) -> SpeedReading | None:
    """Estimate the speed from hum: right only if the hum is on the tape, not from the deck.

    Mains frequency itself is held within about 0.1 %, less well in the past (from memory), and
    limits the accuracy of the estimate.
    """
    if hum.nominal_hz is None or hum.mains_hz is None:
        return None
    how = (
        f"hum of {hum.nominal_hz} Hz mains measures {hum.mains_hz:.3f} Hz; this is valid only if "
        "the hum is on the tape, not from the deck or the cables of the transfer"
    )
    return SpeedReading(100 * (1 - hum.mains_hz / hum.nominal_hz), how, is_guess=True)
