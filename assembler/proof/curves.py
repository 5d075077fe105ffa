"""What a sound does over time, a value each 0.1 s: peak, average and short-term loudness.

Short-term loudness is that of EBU Tech 3341: the 3 s that end with each step, without a gate,
K-weighted as in ITU-R BS.1770-5.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.sound.blocks import Samples
from assembler.sound.compiled import compiled
from assembler.sound.dither import samples_of
from assembler.sound.loudness import EnergyMeter

STEPS_PER_SECOND = 10
SHORT_TERM_STEPS = 30
SILENCE_DB = -120.0
"""Shown for silence, and for all that is below."""
_OFFSET_LU = -0.691

Levels = NDArray[np.float64]


@dataclass(frozen=True)
class Curves:
    """Levels of a stretch of sound, a value for each 0.1 s.

    Attributes
    ----------
    peak_dbfs
        The highest sample of either channel.
    average_dbfs
        Root mean square over both channels.
    short_term_lufs
        Loudness of the 3 s that end with the step; NaN until 3 s have passed.
    """

    peak_dbfs: Levels
    average_dbfs: Levels
    short_term_lufs: Levels


def curves_of(words: Iterable[NDArray[np.int32]], rate_hz: int, bits: int) -> Curves:
    """Read the curves of finished words, shape (frames, 2), block by block."""
    meter = CurveMeter(rate_hz)
    for block in words:
        meter.feed(samples_of(block, bits))
    return meter.curves()


class CurveMeter:
    """Levels over time of a stereo stream.

    Parameters
    ----------
    rate_hz
        Sample rate.

    Examples
    --------
    A 997 Hz sine at -20 dBFS in both channels reads -20 LUFS (BS.1770, EBU Tech 3341):

    >>> wave = 0.1 * np.sin(2 * np.pi * 997 / 48000 * np.arange(5 * 48000))
    >>> meter = CurveMeter(48000)
    >>> meter.feed(np.stack([wave, wave], 1).astype(np.float32))
    >>> round(float(meter.curves().short_term_lufs[-1]), 2)
    -20.0
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._energy = EnergyMeter(rate_hz, 2)
        self._steps = 0
        self._rest: Samples = np.zeros((0, 2), np.float32)
        self._peaks: list[Levels] = []
        self._powers: list[Levels] = []

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (frames, 2)."""
        self._energy.feed(block)
        waiting = np.concatenate((self._rest, block))
        start = self._sample_at(self._steps)
        steps = (start + len(waiting)) * STEPS_PER_SECOND // self._rate_hz - self._steps
        edges = [self._sample_at(self._steps + n) - start for n in range(steps + 1)]
        self._steps += steps
        self._rest = waiting[edges[-1] :]
        if steps:
            self._keep(waiting[: edges[-1]], edges)

    def curves(self) -> Curves:
        """End the stream and give its curves; a last step may be shorter than the others."""
        if len(self._rest):
            self._keep(self._rest, [0, len(self._rest)])
        nothing = np.zeros(0)
        short_term = np.full(sum(map(len, self._peaks)), np.nan)
        windows = self._energy.short_term_blocks()
        first = SHORT_TERM_STEPS - 1
        short_term[first : first + len(windows)] = _OFFSET_LU + _decibels(windows)
        return Curves(
            peak_dbfs=_decibels(np.concatenate([nothing, *self._peaks]) ** 2),
            average_dbfs=_decibels(np.concatenate([nothing, *self._powers])),
            short_term_lufs=short_term,
        )

    def _sample_at(self, step: int) -> int:
        """Give the first sample of a step."""
        return -(-step * self._rate_hz // STEPS_PER_SECOND)

    def _keep(self, samples: Samples, edges: list[int]) -> None:
        """Keep the levels of whole steps."""
        peaks, powers = _peaks_and_powers(samples, np.array(edges))
        self._peaks.append(peaks)
        self._powers.append(powers)


@compiled
def _peaks_and_powers(samples: Samples, edges: NDArray[np.int64]) -> tuple[Levels, Levels]:
    """Give the highest sample and the mean square of each stretch between edges."""
    steps = len(edges) - 1
    peaks, powers = np.zeros(steps), np.zeros(steps)
    for step in range(steps):
        for i in range(edges[step], edges[step + 1]):
            for channel in range(samples.shape[1]):
                value = np.float64(samples[i, channel])
                peaks[step] = max(peaks[step], abs(value))
                powers[step] += value * value
        powers[step] /= samples.shape[1] * (edges[step + 1] - edges[step])
    return peaks, powers


def _decibels(power: Levels) -> Levels:
    return 10 * np.log10(np.maximum(power, 10 ** (SILENCE_DB / 10)))
