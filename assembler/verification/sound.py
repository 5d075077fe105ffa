"""Compare sounds that should be the same: download files and clips with the disc's image, and the
image with its sources.

Samples of one master at one rate are compared one by one. All else is compared below 5 kHz in
windows of 3 s, by the correlation of each channel with each: codecs, dither, EQ and limiters leave
it near 1, another recording gives 0, opposite polarity −1. The bounds are tuned empirically on the
demo and on Debian's music packages.
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
from assembler.dsp.blocks import Samples
from assembler.dsp.dither import samples_of
from assembler.finished.pcm import Stretch
from assembler.text import clock_text, signed_db

LOW_HZ = 11025
"""Rate of the correlations, low enough that fractions of a sample don't matter."""
WINDOW_S = 3
SAME_SOUND = 0.5
"""Lowest correlation of a sound with itself after a codec, EQ or a limiter."""
COMPARED = 1e-5
"""Least mean square of a window that is compared: −50 dBFS."""
_SILENT = 1e-9
_CERTAIN = 2.0
"""How much more an exchange of channels must explain than all other differences."""

Sums = NDArray[np.float64]


@dataclass(frozen=True)
class Sound:
    """Stereo sound that can be read from its start, in float.

    Attributes
    ----------
    name
        For messages: a file of the release, or a track of its image.
    rate_hz
        Sample rate.
    blocks
        Returns the samples in blocks of shape (frames, 2).
    """

    name: str
    rate_hz: int
    blocks: Callable[[], Iterator[Samples]]


def sound_of(stretch: Stretch, name: str) -> Sound:
    """Return samples of a lossless file as a sound."""

    def blocks() -> Iterator[Samples]:
        return (samples_of(b, stretch.bits) for b in stretch.pcm(0, stretch.length))

    return Sound(name, stretch.rate_hz, blocks)


@dataclass(frozen=True)
class Correlation:
    """The correlation of two sounds, window by window.

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
        """Swapped channels and signs that explain the most; none if not certain."""
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
        """Return the correlation of each window, channels and polarity as in `best`."""
        power = np.sqrt(self.first.sum(axis=1) * self.second.sum(axis=1))
        correlations: Sums = self._common() / np.maximum(power, 1e-30)
        return correlations

    def gain_db(self) -> float | None:
        """Return the median gain from the first to the second; None where all is silent."""
        compared = (self._powers(self.first) > COMPARED) & (self.correlations() > SAME_SOUND)
        if not compared.any():
            return None
        gains = self._common()[compared] / self.first.sum(axis=1)[compared]
        return 20 * math.log10(float(np.median(gains)))

    def differs_at_s(self) -> float | None:
        """Return the time of the first window with another sound; None without one."""
        powers = np.maximum(self._powers(self.first), self._powers(self.second))
        different = np.flatnonzero((powers > COMPARED) & (self.correlations() < SAME_SOUND))
        return float(different[0]) * WINDOW_S if len(different) else None

    @property
    def correlation(self) -> float | None:
        """Correlation of the whole sound, channels and polarity as in `best`; None for silence."""
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


def correlate(first: Sound, second: Sound) -> Correlation:
    """Correlate two sounds that begin together; the shorter one is extended with silence."""
    silence = np.zeros((WINDOW_S * LOW_HZ, 2))
    cross, squares = [], ([], [])  # type: ignore[var-annotated]
    for a, b in zip_longest(_windows(first), _windows(second), fillvalue=silence):
        check_cancelled()
        count = min(len(a), len(b))
        cross.append(a[:count].T @ b[:count])
        for sums, window in zip(squares, (a, b), strict=True):
            sums.append((window * window).sum(axis=0))
    shape = (len(cross), 2)
    return Correlation(
        np.array(cross).reshape(*shape, 2), *(np.array(sums).reshape(shape) for sums in squares)
    )


def _windows(sound: Sound) -> Iterator[Sums]:
    """Return a sound below 5 kHz in windows; the last one may be shorter."""
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
"""A code, and the message that follows the file's name."""


def differences(
    first: Sound,
    second: Sound,
    gain_db: float | None,
    tolerance_db: float,
    *,
    throughout: bool = True,
) -> Iterator[Difference]:
    """Find differences between two sounds that exceed the tolerance.

    Parameters
    ----------
    first, second
        Two sounds that should be the same.
    gain_db
        Expected gain of the second; None where it is not known.
    tolerance_db
        Tolerance of the gain.
    throughout
        Every window must match, not only most of the sound.
    """
    found = correlate(first, second)
    if (correlation := found.correlation) is None:
        return
    if correlation < SAME_SOUND:
        yield "other-sound", f"does not match {first.name}"
        return
    if (exchanged := found.best) != (False, (1, 1)):
        yield "other-channels", f"does not match {first.name}: {_channel_faults(*exchanged)}"
        return
    if (at_s := found.differs_at_s()) is not None and throughout:
        yield "other-sound", f"does not match {first.name} at {clock_text(at_s)}"
    louder_db = found.gain_db()
    if gain_db is not None and louder_db is not None and abs(louder_db - gain_db) > tolerance_db:
        found_gain, right = signed_db(louder_db), signed_db(gain_db)
        yield "other-gain", f"has a gain of {found_gain} over {first.name}, it should be {right}"


def _channel_faults(swapped: bool, signs: tuple[int, int]) -> str:
    faults = ["left and right are swapped"] if swapped else []
    if signs == (-1, -1):
        faults.append("its polarity is inverted")
    elif signs != (1, 1):
        faults.append(f"the polarity of its {'left' if signs[0] < 0 else 'right'} is inverted")
    return ", ".join(faults)


def sample_differences(first: Stretch, second: Stretch) -> Iterator[Difference]:
    """Find where two files of one master and one rate differ by more than dither can."""
    if first.length != second.length:
        yield "other-length", f"has {second.length} samples, {first.name} has {first.length}"
        return
    scales = [1 << (24 - one.bits) for one in (first, second)]
    errors = zip(scales, (first.most_error, second.most_error), strict=True)
    most = 0.0 if first.bits == second.bits else sum(scale * error for scale, error in errors)
    position = 0
    for ours, theirs in zip(*(one.pcm(0, one.length) for one in (first, second)), strict=True):
        difference = np.abs(ours.astype(np.int64) * scales[0] - theirs.astype(np.int64) * scales[1])
        if len(rows := np.flatnonzero((difference > most).any(axis=1))):
            at_s = (position + int(rows[0])) / first.rate_hz
            message = f"has other samples than {first.name} from {clock_text(at_s)} on"
            yield "other-samples", message
            return
        position += len(ours)
