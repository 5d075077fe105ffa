"""What the words of a side tell: the bits that are really used, the peaks, where it is clipped.

Samples are looked at as whole numbers of 24 bits, which float32 holds exactly. A word of fewer bits
in a wider file leaves its lowest bits at 0 in every sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import decibels

FULL_BITS = 24
COURSE_STEPS = 1600
"""The level over time has this many steps at most, however long the side is."""
CLIPPED_SAMPLES = 3
"""So many samples in a row at the same highest value are a clipped crest (common practice)."""

_FULL = 1 << (FULL_BITS - 1)
_MOST = 128.0
"""Of full scale: samples of float files beyond this count as this."""
_PIECE = 4096
_CORNER = 3e-4
"""A clipped crest has a corner; a sine's own crest never falls off by this much of its height."""
_CORNER_WORDS = 6
"""Nor by so many steps of 16-bit words, or of the file's own if these are coarser."""

Channel = Literal["left", "right"]
CHANNELS: tuple[Channel, Channel] = ("left", "right")


@dataclass(frozen=True)
class ClippedPlace:
    """A second of the side with clipped crests: which channel, where, how many."""

    channel: Channel
    at_s: float
    crests: int


@dataclass(frozen=True, eq=False)
class LevelCurve:
    """Level over time for a picture.

    Attributes
    ----------
    step_s
        Length of a step.
    peak, rms
        Of each step in left and right, shape (steps, 2), full scale at 1; `rms` is good to −90 dB.
    """

    step_s: float
    peak: NDArray[np.float64]
    rms: NDArray[np.float64]


@dataclass(frozen=True)
class BitDepthReading:
    """What the words of a side tell.

    Attributes
    ----------
    bits_used
        Of left and right: up to the lowest bit that is ever set; None for silence, and where any
        sample of either is no whole number of 24 bits.
    peak_dbfs
        Highest sample of left and right; None for silence.
    clipped_crests
        How many crests are cut off at the highest value.
    longest_samples
        Of these.
    clipped
        Where, in order of time.
    levels
        Over time.
    """

    bits_used: tuple[int | None, int | None]
    peak_dbfs: tuple[float | None, float | None]
    clipped_crests: int
    longest_samples: int
    clipped: tuple[ClippedPlace, ...]
    levels: LevelCurve


@compiled
def _words_of(flat, words):  # type: ignore[no-untyped-def]
    """Fill words with whole numbers, left and right in turn; tell whether any sample is none."""
    low, high = np.float32(-_MOST), np.float32(_MOST)
    broken = np.int32(0)
    for i in range(flat.shape[0]):
        y = min(max(flat[i], low), high) * np.float32(_FULL)
        word = np.int32(y)
        words[i] = word
        broken |= np.int32(np.float32(word) != y)
    return broken


@compiled
def _sums_of(words, sums):  # type: ignore[no-untyped-def]
    """Give bits set, least, highest, and sum of squares (of 16-bit words), of left and of right."""
    bits_l, bits_r = np.int32(0), np.int32(0)
    low_l, low_r = np.int32(0x7FFFFFFF), np.int32(0x7FFFFFFF)
    high_l, high_r = np.int32(-0x80000000), np.int32(-0x80000000)
    squares_l, squares_r = np.int64(0), np.int64(0)
    for i in range(words.shape[0] // 2):
        left, right = words[2 * i], words[2 * i + 1]
        bits_l |= left
        bits_r |= right
        low_l, high_l = min(low_l, left), max(high_l, left)
        low_r, high_r = min(low_r, right), max(high_r, right)
        short_l = np.int64((left + np.int32(128)) >> np.int32(8))
        short_r = np.int64((right + np.int32(128)) >> np.int32(8))
        squares_l += short_l * short_l
        squares_r += short_r * short_r
    sums[0, 0], sums[0, 1], sums[0, 2], sums[0, 3] = bits_l, low_l, high_l, squares_l
    sums[1, 0], sums[1, 1], sums[1, 2], sums[1, 3] = bits_r, low_r, high_r, squares_r


@compiled
def _interpolate_peaks(words, sign, coarse, state, seconds, first, rate_hz):  # type: ignore[no-untyped-def]
    """Count crests of three and more samples at the highest value of a channel.

    state: highest value so far, samples of the run that lasts, whether it began with a corner,
    last sample, longest run; seconds: crests in each second, emptied when the value is exceeded.
    """
    top, run, cornered, last, longest = state[0], state[1], state[2], state[3], state[4]
    for i in range(words.shape[0]):
        word = np.int64(words[i]) * sign
        if word > top:
            top, longest = word, 0
            seconds[:] = 0
            run = 0
        if word == top:
            if run == 0:
                cornered = 1 if top - last > max(coarse, top * _CORNER) else 0
            run += 1
        elif run:
            if top - word > max(coarse, top * _CORNER):
                cornered = 1
            if run >= CLIPPED_SAMPLES and cornered:
                seconds[(first + i - run) // rate_hz] += 1
                longest = max(longest, run)
            run = 0
        last = word
    state[0], state[1], state[2], state[3], state[4] = top, run, cornered, last, longest


@compiled
def _look_at(words, first, step, coarse, rate_hz, bits, peak, squares, crests, seconds):  # type: ignore[no-untyped-def]
    """Look at words piece by piece, each within one step of the course."""
    sums = np.zeros((2, 4), np.int64)
    count = words.shape[0] // 2
    begin = 0
    while begin < count:
        n = (first + begin) // step
        end = min(count, begin + _PIECE, (n + 1) * step - first)
        piece = words[2 * begin : 2 * end]
        _sums_of(piece, sums)
        for c in range(2):
            bits[c] |= sums[c, 0]
            peak[n, c] = max(peak[n, c], sums[c, 2], -sums[c, 1])
            squares[n, c] += sums[c, 3]
            for side in range(2):
                sign = 1 - 2 * side
                state = crests[c, side]
                highest = -sums[c, 1] if side else sums[c, 2]
                if state[1] > 0 or highest >= max(1, state[0]):
                    own, at = piece[c::2], first + begin
                    _interpolate_peaks(own, sign, coarse, state, seconds[c, side], at, rate_hz)
                else:
                    state[3] = sign * piece[len(piece) - 2 + c]
        begin = end


class BitDepthMeter:
    """Meter of a stereo stream's words.

    Parameters
    ----------
    rate_hz
        Sample rate.
    frames
        Samples per channel that will come.
    bits
        Width of the file's words; None for float.
    """

    def __init__(self, rate_hz: int, frames: int, bits: int | None) -> None:
        self.rate_hz = rate_hz
        self._step = max(1, -(-frames // COURSE_STEPS))
        steps = -(-frames // self._step)
        self._coarse = _CORNER_WORDS << max(8, FULL_BITS - (bits or FULL_BITS))
        self._bits = np.zeros(2, np.int64)
        self._fractions = False
        self._peak = np.zeros((steps, 2), np.int64)
        self._squares = np.zeros((steps, 2))
        self._interpolate_peaks = np.zeros((2, 2, 5), np.int64)
        self._seconds = np.zeros((2, 2, frames // rate_hz + 1), np.int64)
        self._frames = 0
        self._words = np.empty(0, np.int32)

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (frames, 2)."""
        if len(self._words) < block.size:
            self._words = np.empty(block.size, np.int32)
        words = self._words[: block.size]
        self._fractions |= bool(_words_of(np.ascontiguousarray(block).reshape(-1), words))
        _look_at(
            words,
            self._frames,
            self._step,
            self._coarse,
            self.rate_hz,
            self._bits,
            self._peak,
            self._squares,
            self._interpolate_peaks,
            self._seconds,
        )
        self._frames += len(block)

    def reading(self) -> BitDepthReading:
        """Give what was found so far."""
        peaks = self._peak.max(axis=0, initial=0) / _FULL
        per_second = self._seconds.sum(axis=1)
        places = [
            ClippedPlace(CHANNELS[c], float(second), int(per_second[c, second]))
            for second, c in np.argwhere(per_second.T > 0)
        ]
        return BitDepthReading(
            bits_used=(self._bits_used(0), self._bits_used(1)),
            peak_dbfs=(decibels(float(peaks[0])), decibels(float(peaks[1]))),
            clipped_crests=int(per_second.sum()),
            longest_samples=int(self._interpolate_peaks[:, :, 4].max()),
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
