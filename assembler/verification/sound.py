"""Compare what should be one sound: each download file and clip with the disc's image, and the
image with its sources.

Samples of one mastering at one rate are compared one by one. All else is compared below 5 kHz, 3 s
at a time, by correlation of left and right with left and right: codecs, dither, EQ and limiters
leave that near 1, another recording near 0, opposite polarity near −1. The bounds are tuned
empirically on the demo and on Debian's music packages.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np
import soxr
from numpy.typing import NDArray

from assembler.cancel import check_cancelled
from assembler.compare.sound import most_error
from assembler.compare.stretches import Stretch
from assembler.dsp.blocks import Samples
from assembler.dsp.dither import samples_of
from assembler.text import clock_text

LOW_HZ = 11025
"""Correlations are taken at this rate, so that fractions of a sample don't count."""
WINDOW_S = 3
SAME_SOUND = 0.5
"""Least correlation of one sound with itself after a codec, EQ or a limiter."""
HEARD = 1e-5
"""Mean square of a window that is compared: -50 dBFS."""
_SILENT = 1e-9
_CERTAIN = 2.0
"""How many times more than all else that differs an exchange of channels must explain."""

Sums = NDArray[np.float64]


@dataclass(frozen=True)
class Sound:
    """Stereo sound that can be read from its start, in float.

    Attributes
    ----------
    name
        For messages: a file of the release, or a track of its image.
    rate_hz
        Of its samples.
    blocks
        Gives them, shape (frames, 2).
    """

    name: str
    rate_hz: int
    blocks: Callable[[], Iterator[Samples]]


def sound_of(stretch: Stretch, name: str) -> Sound:
    """Give samples of a lossless file as sound."""

    def blocks() -> Iterator[Samples]:
        return (samples_of(b, stretch.bits) for b in stretch.pcm(0, stretch.length))

    return Sound(name, stretch.rate_hz, blocks)


@dataclass(frozen=True)
class Likeness:
    """What two sounds have in common, window by window.

    Attributes
    ----------
    cross
        Sums of products, shape (windows, 2, 2): each channel of the first with each of the second.
    first, second
        Sums of squares of each channel, shape (windows, 2).
    """

    cross: Sums
    first: Sums
    second: Sums

    @property
    def best(self) -> tuple[bool, tuple[int, int]]:
        """Whether channels are swapped, and the sign of each, as explains most; else as it is."""
        total = self.cross.sum(axis=0)
        power = math.sqrt(self.first.sum() * self.second.sum())
        if power == 0:
            return False, (1, 1)
        scores = {
            (swapped, (left, right)): float(left * pair[0] + right * pair[1]) / power
            for swapped, pair in ((False, total.diagonal()), (True, total[::-1].diagonal()))
            for left in (1, -1)
            for right in (1, -1)
        }
        best = max(scores, key=lambda one: scores[one])
        certain = scores[best] - scores[False, (1, 1)] > _CERTAIN * (1 - scores[best]) + 1e-6
        return best if certain else (False, (1, 1))

    def correlations(self) -> Sums:
        """Give the correlation of each window, channels and polarity as in `best`."""
        power = np.sqrt(self.first.sum(axis=1) * self.second.sum(axis=1))
        correlations: Sums = self._common() / np.maximum(power, 1e-30)
        return correlations

    def gain_db(self) -> float | None:
        """Give the gain from the first to the second in most windows; None where all is silent."""
        heard = (self._powers(self.first) > HEARD) & (self.correlations() > SAME_SOUND)
        if not heard.any():
            return None
        gains = self._common()[heard] / self.first.sum(axis=1)[heard]
        return 20 * math.log10(float(np.median(gains)))

    def unlike_at_s(self) -> float | None:
        """Give when the first window begins that holds another sound; None where there is none."""
        powers = np.maximum(self._powers(self.first), self._powers(self.second))
        unlike = np.flatnonzero((powers > HEARD) & (self.correlations() < SAME_SOUND))
        return float(unlike[0]) * WINDOW_S if len(unlike) else None

    @property
    def correlation(self) -> float | None:
        """Correlation of the whole, channels and polarity as in `best`; None of silence."""
        powers = [float(self._powers(one).mean()) for one in (self.first, self.second)]
        if max(powers) < _SILENT:
            return None
        power = math.sqrt(self.first.sum() * self.second.sum())
        return float(self._common().sum()) / power if power else 0.0

    def _common(self) -> Sums:
        swapped, signs = self.best
        cross = self.cross[:, ::-1] if swapped else self.cross
        common: Sums = cross[:, 0, 0] * signs[0] + cross[:, 1, 1] * signs[1]
        return common

    @staticmethod
    def _powers(sums: Sums) -> Sums:
        powers: Sums = sums.sum(axis=1) / (2 * WINDOW_S * LOW_HZ)
        return powers


def likeness(first: Sound, second: Sound) -> Likeness:
    """Correlate two sounds that begin together; the shorter one ends in silence."""
    silence = np.zeros((WINDOW_S * LOW_HZ, 2))
    cross, squares = [], ([], [])  # type: ignore[var-annotated]
    for a, b in zip_longest(_windows(first), _windows(second), fillvalue=silence):
        check_cancelled()
        count = min(len(a), len(b))
        cross.append(a[:count].T @ b[:count])
        for sums, window in zip(squares, (a, b), strict=True):
            sums.append((window * window).sum(axis=0))
    shape = (len(cross), 2)
    return Likeness(
        np.array(cross).reshape(*shape, 2), *(np.array(sums).reshape(shape) for sums in squares)
    )


def _windows(sound: Sound) -> Iterator[Sums]:
    """Give a sound below 5 kHz in windows, the last a shorter one."""
    size = WINDOW_S * LOW_HZ
    held = np.zeros((0, 2))
    for block in _low_band(sound):
        held = np.concatenate((held, block))
        while len(held) >= size:
            yield held[:size]
            held = held[size:]
    if len(held):
        yield held


def _low_band(sound: Sound) -> Iterator[Samples]:
    stream = soxr.ResampleStream(sound.rate_hz, LOW_HZ, 2, dtype="float32", quality="MQ")
    for block in sound.blocks():
        yield stream.resample_chunk(np.ascontiguousarray(block, np.float32))
    yield stream.resample_chunk(np.zeros((0, 2), np.float32), last=True)


Difference = tuple[str, str]
"""A code, and what is to be said behind the name of the file."""


def differences(
    first: Sound,
    second: Sound,
    gain_db: float | None,
    tolerance_db: float,
    *,
    throughout: bool = True,
) -> Iterator[Difference]:
    """Find how the second sound differs from the first by more than it may.

    Parameters
    ----------
    first, second
        What should be one sound.
    gain_db
        By which the second should be louder; None where that is not known.
    tolerance_db
        How far the gain may be off.
    throughout
        Every window must be alike, and not only most of the sound.
    """
    found = likeness(first, second)
    if (correlation := found.correlation) is None:
        return
    if correlation < SAME_SOUND:
        yield "other-sound", f"is another sound than {first.name}"
        return
    if (turned := found.best) != (False, (1, 1)):
        yield "other-channels", f"is not {first.name} as it is: {_turned(*turned)}"
        return
    if (at_s := found.unlike_at_s()) is not None and throughout:
        yield "other-sound", f"is another sound than {first.name} at {clock_text(at_s)}"
    louder_db = found.gain_db()
    if gain_db is not None and louder_db is not None and abs(louder_db - gain_db) > tolerance_db:
        louder, right = (f"{gain:+.2f}".replace("-", "−") for gain in (louder_db, gain_db))
        yield "other-gain", f"is {louder} dB from {first.name}, it should be {right} dB"


def _turned(swapped: bool, signs: tuple[int, int]) -> str:
    told = ["left and right are swapped"] if swapped else []
    if signs == (-1, -1):
        told.append("its polarity is inverted")
    elif signs != (1, 1):
        told.append(f"the polarity of its {'left' if signs[0] < 0 else 'right'} is inverted")
    return ", ".join(told)


def sample_differences(first: Stretch, second: Stretch) -> Iterator[Difference]:
    """Find where two files of one mastering and one rate differ by more than dither may."""
    if first.length != second.length:
        yield "other-length", f"has {second.length} samples, {first.name} has {first.length}"
        return
    scales = [1 << (24 - one.bits) for one in (first, second)]
    errors = zip(scales, map(most_error, (first, second)), strict=True)
    most = 0.0 if first.bits == second.bits else sum(scale * error for scale, error in errors)
    position = 0
    for ours, theirs in zip(*(one.pcm(0, one.length) for one in (first, second)), strict=True):
        apart = np.abs(ours.astype(np.int64) * scales[0] - theirs.astype(np.int64) * scales[1])
        if len(rows := np.flatnonzero((apart > most).any(axis=1))):
            at_s = (position + int(rows[0])) / first.rate_hz
            message = f"has other samples than {first.name}, from {clock_text(at_s)} on"
            yield "other-samples", message
            return
        position += len(ours)
