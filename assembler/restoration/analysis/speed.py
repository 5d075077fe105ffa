"""Speed of a tape: read from hum or from a reference tone, and set right.

IASA-TC 04 (from memory) asks that reference tones on a tape be transferred with it: they tell
speed, level and azimuth.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.hum import HumReading
from assembler.restoration.analysis.sampled_windows import (
    SampledWindows,
    hann,
    spectrum_of_both,
    window_samples,
)

REFERENCE_TONES_HZ = (315, 400, 440, 1000, 3150, 10_000)
"""Of test tapes and of line-up tones (common practice); 315, 1000, 3150 and 10,000 Hz are on those
of IEC 60094 (from memory)."""
TONE_OFF = 0.04
"""A tone is looked for this far from its nominal pitch, as a share."""
_STEP_S = 0.5
"""Between looks; once there is a tone, it is read without a gap, so that flutter evens out."""
_WINDOW_S = 0.085
_SHORTEST_S = 2.2
"""Of a run of windows, that any tone of 3 s fills."""
_TONE_SHARE = 0.9
"""Of all power: next to it there is noise, hum and little else."""
_STEADY_SHARE = 0.004
_STEADY_POWER = 2.0
_SILENT = 1e-10


@dataclass(frozen=True)
class SpeedReading:
    """How far a tape's speed is off.

    Attributes
    ----------
    percent_slow
        Positive where what should be 1000 Hz reads lower.
    how
        What tells it, in words for a report.
    is_guess
        It rests on the hum alone, which may come from the deck or the cables of the transfer.
    """

    percent_slow: float
    how: str
    is_guess: bool = False

    @property
    def factor(self) -> float:
        """How much faster the transfer must run to be right (`at_speed`)."""
        return 1 / (1 - self.percent_slow / 100)


@dataclass(frozen=True)
class _Tone:
    at_s: float
    hz: float
    power: float


class ToneMeter:
    """Meter of a steady reference tone in a stereo stream.

    Parameters
    ----------
    rate_hz
        Sample rate.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._size = window_samples(rate_hz, _WINDOW_S)
        self._step = round(_STEP_S * rate_hz)
        self._windows = SampledWindows(self._size, self._step)
        self._shape = hann(self._size)
        self._run: list[_Tone] = []
        self._longest: list[_Tone] = []

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (frames, 2)."""
        for window in self._windows.feed(block):
            tone = self._tone(window)
            if tone is None or (self._run and not _same(self._run[-1], tone)):
                self._run = []
            if tone:
                self._run.append(tone)
            if len(self._run) > len(self._longest):
                self._longest = self._run
            self._windows.step = self._size if tone else self._step

    def _tone(self, window: Samples) -> _Tone | None:
        """Find the one tone that a window holds, if it does."""
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
        return _Tone(self._windows.start / self._rate_hz, hz, total)

    def reading(self) -> SpeedReading | None:
        """Give the speed by the longest tone so far; None without one near a reference."""
        if len(self._longest) * self._size < _SHORTEST_S * self._rate_hz:
            return None
        hz = float(np.mean([tone.hz for tone in self._longest]))
        nominal = min(REFERENCE_TONES_HZ, key=lambda reference: abs(hz / reference - 1))
        if abs(hz / nominal - 1) > TONE_OFF:
            return None
        at_s = self._longest[0].at_s
        clock = f"{int(at_s // 60)}:{int(at_s % 60):02d}"
        how = f"the tone at {clock}, {nominal} Hz by its nearest reference, reads {hz:.2f} Hz"
        return SpeedReading(100 * (1 - hz / nominal), how)


def _same(before: _Tone, after: _Tone) -> bool:
    steady = abs(after.hz / before.hz - 1) < _STEADY_SHARE
    return steady and 1 / _STEADY_POWER < after.power / before.power < _STEADY_POWER


def _offset(near: NDArray[np.float64]) -> float:
    """Give how far a sine lies from the middle one of three bins of a Hann window's spectrum."""
    before, at, after = np.sqrt(near)
    side, other = (1.0, after) if after > before else (-1.0, before)
    ratio = other / at
    return float(side * (2 * ratio - 1) / (1 + ratio))


def speed_from_hum(hum: HumReading) -> SpeedReading | None:
    """Guess the speed by the hum: right if that is on the tape and not of the deck that plays it.

    Mains frequency itself is held within some 0.1 % nowadays, less well on some old recordings
    (common practice): no speed is known better by it.
    """
    if hum.nominal_hz is None or hum.mains_hz is None:
        return None
    how = (
        f"hum of {hum.nominal_hz} Hz mains reads {hum.mains_hz:.3f} Hz: true only if it is on the "
        "tape and doesn't come from the deck or cables of the transfer"
    )
    return SpeedReading(100 * (1 - hum.mains_hz / hum.nominal_hz), how, is_guess=True)


def at_speed(
    blocks: Iterable[Samples], rate_hz: int, factor: float | Fraction
) -> Iterator[Samples]:
    """Run sound faster or slower, pitch and tempo together.

    Parameters
    ----------
    blocks
        The sound, shape (frames, 2).
    rate_hz
        Sample rate, which stays.
    factor
        Above 1 it runs faster and becomes shorter.

    Yields
    ------
    ndarray of float32
        In all round(n / factor) samples, for n that came in.
    """
    if factor == 1:
        yield from blocks
        return
    import soxr

    stream = soxr.ResampleStream(
        rate_hz * float(factor), rate_hz, 2, dtype="float32", quality="VHQ"
    )
    taken = given = 0
    for block in blocks:
        taken += len(block)
        piece = stream.resample_chunk(np.ascontiguousarray(block))
        given += len(piece)
        yield piece
    left = max(0, round(taken / factor) - given)
    rest = stream.resample_chunk(np.zeros((0, 2), np.float32), last=True)[:left]
    yield np.concatenate((rest, np.zeros((left - len(rest), 2), np.float32)))
