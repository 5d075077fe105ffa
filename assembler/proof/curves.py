"""Levels over time, one value per 0.1 s: peak, RMS and short-term loudness.

Short-term loudness is that of EBU Tech 3341: the 3 s that end with each step, without a gate,
K-weighted as in ITU-R BS.1770-5.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.dither import samples_of
from assembler.dsp.loudness import HOPS_PER_SECOND, HopEnergies

STEPS_PER_SECOND = 10
SHORT_TERM_STEPS = 30
SILENCE_DB = -120.0
"""Shown for silence and everything below this level."""
_OFFSET_LU = -0.691

Levels = NDArray[np.float64]


@dataclass(frozen=True)
class Curves:
    """Levels of an audio segment, one value per 0.1 s.

    Attributes
    ----------
    peak_dbfs
        The highest sample of either channel.
    rms_dbfs
        Root mean square over both channels.
    short_term_lufs
        Loudness of the 3 s that end with the step; NaN until 3 s have passed.
    """

    peak_dbfs: Levels
    rms_dbfs: Levels
    short_term_lufs: Levels


@dataclass(frozen=True)
class Steps:
    """Sums from which curves are computed: one sound's share of each step of 0.1 s.

    Attributes
    ----------
    length
        Samples of the sound.
    peaks
        The highest sample of each step, as an amplitude.
    squares
        The sum of all its squares, over both channels.
    energies
        The sum of all K-weighted squares.
    """

    length: int
    peaks: Levels
    squares: Levels
    energies: Levels


class StepMeter:
    """Meter of a stereo sound that is preceded and followed by silence.

    Parameters
    ----------
    rate_hz
        Sample rate.
    lead
        Samples of the first step that come before the sound.
    """

    def __init__(self, rate_hz: int, lead: int = 0) -> None:
        self._rate_hz = rate_hz
        self._lead = lead
        self._position = lead
        self._energies = HopEnergies(rate_hz, 2)
        self._hops = [self._energies.feed(np.zeros((lead, 2), np.float32))]
        self._peaks: list[Levels] = []
        self._squares: list[Levels] = []
        self._unfinished = (0.0, 0.0)

    def feed(self, block: Samples) -> None:
        """Measure the next samples, shape (frames, 2)."""
        self._hops.append(self._energies.feed(block))
        end = self._position + len(block)
        later = np.arange(_step_at(self._position, self._rate_hz), _step_at(end, self._rate_hz)) + 1
        edges = np.append(_sample_at(later, self._rate_hz) - self._position, len(block))
        peaks, squares = np.zeros(len(edges)), np.zeros(len(edges))
        peaks[0], squares[0] = self._unfinished
        _add_levels(block, edges, peaks, squares)
        self._position = end
        self._unfinished = (float(peaks[-1]), float(squares[-1]))
        self._peaks.append(peaks[:-1])
        self._squares.append(squares[:-1])

    def steps(self) -> Steps:
        """End the sound and return its steps."""
        length, step = self._position - self._lead, _step_at(self._position, self._rate_hz)
        missing = int(_sample_at(step + 1, self._rate_hz)) - self._position
        self.feed(np.zeros((missing, 2), np.float32))
        hops = np.concatenate(self._hops)
        return Steps(
            length=length,
            peaks=np.concatenate(self._peaks),
            squares=np.concatenate(self._squares),
            energies=hops.reshape(-1, HOPS_PER_SECOND // STEPS_PER_SECOND).sum(axis=1),
        )


def steps_of(pcm: Iterable[NDArray[np.int32]], rate_hz: int, bits: int, lead: int = 0) -> Steps:
    """Return the steps of final PCM, blocks of shape (frames, 2)."""
    meter = StepMeter(rate_hz, lead)
    for block in pcm:
        meter.feed(samples_of(block, bits))
    return meter.steps()


def curves_of(sounds: Sequence[Steps], rate_hz: int) -> Curves:
    """Return the curves of sounds that follow each other; the last step may be shorter.

    Parameters
    ----------
    sounds
        Each measured with the lead that those before it leave, see `lead_after`.
    rate_hz
        Their rate; of several sounds a multiple of 10.

    Examples
    --------
    A 997 Hz sine at -20 dBFS in both channels reads -20 LUFS (BS.1770, EBU Tech 3341):

    >>> wave = 0.1 * np.sin(2 * np.pi * 997 / 48000 * np.arange(5 * 48000))
    >>> meter = StepMeter(48000)
    >>> meter.feed(np.stack([wave, wave], 1).astype(np.float32))
    >>> round(float(curves_of([meter.steps()], 48000).short_term_lufs[-1]), 2)
    -20.0
    """
    end = sum(sound.length for sound in sounds)
    whole = _step_at(end, rate_hz)
    edges = np.append(_sample_at(np.arange(whole + 1), rate_hz), end)
    peaks, squares, energies = np.zeros((3, whole + 1))
    position = 0
    for sound in sounds:
        first = _step_at(position, rate_hz)
        here = slice(first, first + len(sound.peaks))
        np.maximum(peaks[here], sound.peaks, out=peaks[here])
        squares[here] += sound.squares
        energies[here] += sound.energies
        position += sound.length
    count = whole + (end > edges[whole])
    lengths = np.diff(edges)[:count]
    short_term = np.full(count, np.nan)
    if whole >= SHORT_TERM_STEPS:
        windows = sliding_window_view(energies[:whole], SHORT_TERM_STEPS).sum(axis=1)
        lasted = edges[SHORT_TERM_STEPS : whole + 1] - edges[: whole + 1 - SHORT_TERM_STEPS]
        short_term[SHORT_TERM_STEPS - 1 : whole] = _OFFSET_LU + _decibels(windows / lasted)
    return Curves(
        peak_dbfs=_decibels(peaks[:count] ** 2),
        rms_dbfs=_decibels(squares[:count] / (2 * lengths)),
        short_term_lufs=short_term,
    )


def lead_after(samples: int, rate_hz: int) -> int:
    """Return the samples that have passed since the last full step."""
    return samples - int(_sample_at(_step_at(samples, rate_hz), rate_hz))


def _step_at(sample: int, rate_hz: int) -> int:
    """Return the step that a sample is in."""
    return sample * STEPS_PER_SECOND // rate_hz


def _sample_at(steps: int | NDArray[np.int64], rate_hz: int) -> NDArray[np.int64]:
    """Return the first sample of each step."""
    return -(-np.asarray(steps) * rate_hz // STEPS_PER_SECOND)


@compiled
def _add_levels(samples, edges, peaks, squares):  # type: ignore[no-untyped-def]
    """Update peaks and sums of squares of the segments that end at `edges`."""
    begin = 0
    for step in range(edges.shape[0]):
        for i in range(begin, edges[step]):
            for channel in range(samples.shape[1]):
                value = np.float64(samples[i, channel])
                peaks[step] = max(peaks[step], abs(value))
                squares[step] += value * value
        begin = edges[step]


def _decibels(power: Levels) -> Levels:
    return 10 * np.log10(np.maximum(power, 10 ** (SILENCE_DB / 10)))
