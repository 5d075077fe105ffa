"""Measure the PCM of a side: the bits in use, the peaks, the clipped places.

Samples are read as integers of 24 bits, which float32 holds exactly. If fewer bits are in use than
the file has, the lowest bits of every sample are 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import decibels

FULL_BITS = 24
MAX_STEPS = 1600
"""Most steps of the level over time, however long the side is."""
CLIPPED_SAMPLES = 3
"""Samples in a row at the same highest value that are a clipped peak."""

_FULL = 1 << (FULL_BITS - 1)
_MOST = 128.0
"""Limit on samples of float files, relative to full scale."""
_PIECE = 4096
_CORNER = 3e-4
"""A clipped peak has a corner: a sine never falls by this share of its peak in one sample …"""
_CORNER_STEPS = 6
"""… nor by so many quantisation steps of 16 bits, or of a shorter word length of the file."""

Channel = Literal["left", "right"]
CHANNELS: tuple[Channel, Channel] = ("left", "right")


@dataclass(frozen=True)
class ClippedPlace:
    """A second of the side with clipped peaks: channel, position, number of peaks."""

    channel: Channel
    at_s: float
    peaks: int


@dataclass(frozen=True, eq=False)
class LevelCurve:
    """Level over time, for a picture."""

    step_s: float
    peak: NDArray[np.float64]
    rms: NDArray[np.float64]
    """Of each step in left and right, shape (steps, 2), full scale is 1; `rms` is accurate down to
    −90 dB."""


@dataclass(frozen=True)
class BitDepthReading:
    """Bits in use, peaks, clipping and level of a side."""

    bits_used: tuple[int | None, int | None]
    """Of left and right: down to the lowest bit that is ever set; None for silence, and if any
    sample is not an integer of 24 bits."""
    peak_dbfs: tuple[float | None, float | None]
    """Highest sample of left and right; None for silence."""
    clipped_peaks: int
    """Number of peaks clipped at the highest value."""
    longest_samples: int
    """Length of the longest clipped peak."""
    clipped: tuple[ClippedPlace, ...]
    """The places, in order of time."""
    levels: LevelCurve


@compiled
def _integers(flat: NDArray[Any], pcm: NDArray[Any]) -> np.int32:
    """Fill pcm with integers; return 1 if any sample is not an integer, else 0."""
    low, high = np.float32(-_MOST), np.float32(_MOST)
    broken = np.int32(0)
    for i in range(flat.shape[0]):
        y = min(max(flat[i], low), high) * np.float32(_FULL)
        value = np.int32(y)
        pcm[i] = value
        broken |= np.int32(np.float32(value) != y)
    return broken


@compiled
def _summary(pcm: NDArray[Any]) -> tuple[Any, Any, Any, Any]:
    """Return the bits set, the lowest and the highest sample, and the sum of squares at 16 bits."""
    bits, squares = np.int32(0), np.int64(0)
    low, high = np.int32(0x7FFFFFFF), np.int32(-0x80000000)
    for i in range(pcm.shape[0]):
        value = pcm[i]
        bits |= value
        low, high = min(low, value), max(high, value)
        short = np.int64((value + np.int32(128)) >> np.int32(8))
        squares += short * short
    return bits, low, high, squares


@compiled
def _count_clipped(
    pcm: NDArray[Any],
    sign: int,
    coarse: int,
    state: NDArray[Any],
    seconds: NDArray[Any],
    first: int,
    rate_hz: int,
) -> None:
    """Count peaks of three or more samples at the highest value of a channel.

    state: highest value so far, length of the present run, whether it began with a corner, last
    sample, longest run; seconds: peaks in each second, reset when a higher value is found.
    """
    top, run, cornered, last, longest = state[0], state[1], state[2], state[3], state[4]
    for i in range(pcm.shape[0]):
        value = np.int64(pcm[i]) * sign
        if value > top:
            top, longest = value, 0
            seconds[:] = 0
            run = 0
        if value == top:
            if run == 0:
                cornered = 1 if top - last > max(coarse, top * _CORNER) else 0
            run += 1
        elif run:
            if top - value > max(coarse, top * _CORNER):
                cornered = 1
            if run >= CLIPPED_SAMPLES and cornered:
                seconds[(first + i - run) // rate_hz] += 1
                longest = max(longest, run)
            run = 0
        last = value
    state[0], state[1], state[2], state[3], state[4] = top, run, cornered, last, longest


@compiled
def _measure(
    pcm: NDArray[Any],
    first: int,
    step: int,
    coarse: int,
    rate_hz: int,
    bits: NDArray[Any],
    peak: NDArray[Any],
    squares: NDArray[Any],
    runs: NDArray[Any],
    seconds: NDArray[Any],
) -> None:
    """Measure samples, shape (2, n), in pieces that are each within one step of the level."""
    begin, count = 0, pcm.shape[1]
    while begin < count:
        n = (first + begin) // step
        end = min(count, begin + _PIECE, (n + 1) * step - first)
        for c in range(2):
            piece = pcm[c, begin:end]
            set_bits, low, high, sum_of_squares = _summary(piece)
            bits[c] |= set_bits
            peak[n, c] = max(peak[n, c], high, -low)
            squares[n, c] += sum_of_squares
            for side in range(2):
                sign = 1 - 2 * side
                state = runs[c, side]
                highest = -low if side else high
                if state[1] > 0 or highest >= max(1, state[0]):
                    at = first + begin
                    _count_clipped(piece, sign, coarse, state, seconds[c, side], at, rate_hz)
                else:
                    state[3] = sign * piece[-1]
        begin = end


class BitDepthMeter:
    """Meter of the PCM of a stereo stream.

    Parameters
    ----------
    rate_hz, frames, bits
        Sample rate, length in samples per channel, and bit depth of the file; None for float.
    """

    def __init__(self, rate_hz: int, frames: int, bits: int | None) -> None:
        self.rate_hz = rate_hz
        self._step = max(1, -(-frames // MAX_STEPS))
        steps = -(-frames // self._step)
        self._coarse = _CORNER_STEPS << max(8, FULL_BITS - (bits or FULL_BITS))
        self._bits = np.zeros(2, np.int64)
        self._fractions = False
        self._peak = np.zeros((steps, 2), np.int64)
        self._squares = np.zeros((steps, 2))
        self._runs = np.zeros((2, 2, 5), np.int64)
        self._seconds = np.zeros((2, 2, frames // rate_hz + 1), np.int64)
        self._frames = 0

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        pcm = np.empty(block.size, np.int32)
        self._fractions |= bool(_integers(np.ascontiguousarray(block.T).reshape(-1), pcm))
        _measure(
            pcm.reshape(2, -1),
            self._frames,
            self._step,
            self._coarse,
            self.rate_hz,
            self._bits,
            self._peak,
            self._squares,
            self._runs,
            self._seconds,
        )
        self._frames += len(block)

    def reading(self) -> BitDepthReading:
        """Return the reading of all samples so far."""
        peaks = self._peak.max(axis=0, initial=0) / _FULL
        per_second = self._seconds.sum(axis=1)
        places = [
            ClippedPlace(CHANNELS[c], float(second), int(per_second[c, second]))
            for second, c in np.argwhere(per_second.T > 0)
        ]
        return BitDepthReading(
            bits_used=(self._bits_used(0), self._bits_used(1)),
            peak_dbfs=(decibels(float(peaks[0])), decibels(float(peaks[1]))),
            clipped_peaks=int(per_second.sum()),
            longest_samples=int(self._runs[:, :, 4].max()),
            clipped=tuple(places),
            levels=self._levels(),
        )

    def _bits_used(self, channel: int) -> int | None:
        bits = int(self._bits[channel])
        if not bits or self._fractions:
            return None
        return max(1, FULL_BITS + 1 - (bits & -bits).bit_length())

    def _levels(self) -> LevelCurve:
        starts = np.arange(len(self._squares)) * self._step
        counts = np.clip(self._frames - starts, 1, self._step)[:, None]
        rms = np.sqrt(self._squares / counts) * 2.0**-15
        return LevelCurve(self._step / self.rate_hz, self._peak / _FULL, rms)
