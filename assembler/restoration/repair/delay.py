"""Correct the interchannel delay of an azimuth error by a fractional delay of one channel.

A tilted head reads one channel late; the early one is delayed by as much. The filter is a windowed
sinc (Laakso and others, "Splitting the unit delay", IEEE Signal Processing Magazine 13(1), 1996,
from memory). Where the delay is followed, the filter changes with it: between two delays 64 samples
apart, the outputs of their filters are crossfaded.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.fir import add_filtered
from assembler.restoration.analysis.stereo.delay_path import PATH_STEP_S

_HALF_TAPS = 40
_HALF_TAPS_ABOVE_64_KHZ = 20
_KAISER_BETA = 6.0
_WHOLE_TOLERANCE = 1e-6
_BLOCK = 4096
"""Samples per pass of the filter, so that their sums stay in the processor's cache."""
_HOP = 64
"""Samples from one filter of a path to the next."""
_FRACTIONS = 1024
"""Filters of fractions of a sample; those between two are interpolated, with errors below
−110 dB."""


def _half_taps(rate_hz: int) -> int:
    return _HALF_TAPS if rate_hz < 64_000 else _HALF_TAPS_ABOVE_64_KHZ


def _fractional_delay_taps(
    delay_samples: float | NDArray[np.float64], half: int
) -> NDArray[np.float64]:
    """Return the 2 half taps of a delay of −0.5 to 1; tap k is for the sample half − k before.

    Delays of any shape have a row of taps each.
    """
    ages = half - np.arange(2 * half) - np.asarray(delay_samples)[..., None]
    inside = np.maximum(0, 1 - (ages / (half + 0.5)) ** 2)
    taps = np.sinc(ages) * np.i0(_KAISER_BETA * np.sqrt(inside))
    scaled: NDArray[np.float64] = taps / taps.sum(-1, keepdims=True)
    return scaled


@compiled
def _filter(padded: NDArray[Any], taps: NDArray[Any], out: NDArray[Any]) -> None:
    """Fill out[i], zeros, with the sum of taps[k] * padded[i + k]."""
    for begin in range(0, out.shape[0], _BLOCK):
        add_filtered(out[begin : begin + _BLOCK], padded[begin:], taps)


def align_channels(blocks: Iterable[Samples], rate_hz: int, delay_us: float) -> Iterator[Samples]:
    """Delay the channel that is early: it begins with silence, and its last samples are lost.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    delay_us
        Delay of right re left in microseconds; negative if left is late.
    """
    delay = abs(delay_us) * 1e-6 * rate_hz
    if not delay:
        yield from blocks
        return
    early = 0 if delay_us > 0 else 1
    whole = round(delay)
    if abs(delay - whole) < _WHOLE_TOLERANCE:
        delay = float(whole)
    half = _half_taps(rate_hz)
    taps = _fractional_delay_taps(delay - whole, half)
    if delay == whole:
        taps = (np.arange(2 * half) == half).astype(np.float64)
    neighbours = Neighbours(whole + half, half - 1, 2)
    for block in blocks:
        yield _delayed(neighbours.feed(block), early, neighbours, taps)
    yield _delayed(neighbours.finish(), early, neighbours, taps)


def _delayed(
    padded: Samples, early: int, neighbours: Neighbours, taps: NDArray[np.float64]
) -> Samples:
    """Delay one channel of the samples that are complete with their neighbours."""
    frames = len(padded) - neighbours.before - neighbours.after
    delayed = padded[neighbours.before : neighbours.before + frames].copy()
    sums = np.zeros(frames)
    _filter(padded[: frames + len(taps), early].astype(np.float64), taps, sums)
    delayed[:, early] = sums
    return delayed


def follow_delay(
    blocks: Iterable[Samples], rate_hz: int, delays_us: Sequence[float], start: int
) -> Iterator[Samples]:
    """Delay the channel that is early, each moment by the delay there.

    A channel passes bit for bit wherever it is not the early one.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    delays_us
        Delay of right re left in microseconds, negative if left is late: one per `PATH_STEP_S`
        from the start of the side; the last one holds to its end.
    start
        Position of the stream in the side, in samples.
    """
    path = np.asarray(delays_us) * 1e-6 * rate_hz
    half, most = _half_taps(rate_hz), int(np.ceil(np.abs(path).max()))
    table = _fraction_table(half)
    neighbours = Neighbours(most + half, half - 1, 2)
    for padded in _all_padded(blocks, neighbours):
        frames = len(padded) - neighbours.before - neighbours.after
        out = padded[neighbours.before : neighbours.before + frames].copy()
        hops = np.arange(start // _HOP, (start + frames) // _HOP + 2)
        delays = np.interp(hops * _HOP / (PATH_STEP_S * rate_hz), np.arange(len(path)), path)
        for channel, sign in ((0, 1), (1, -1)):
            own = np.maximum(sign * delays, 0.0)
            if own.any():
                samples = padded[:, channel].astype(np.float64)
                out[:, channel] = _followed(samples, own, start % _HOP, most, table, frames)
        start += frames
        yield out


def _all_padded(blocks: Iterable[Samples], neighbours: Neighbours) -> Iterator[Samples]:
    for block in blocks:
        yield neighbours.feed(block)
    yield neighbours.finish()


def _fraction_table(half: int) -> NDArray[np.float64]:
    """Return the taps of each fraction of a sample from 0 to 1, both of which are exact."""
    table = _fractional_delay_taps(np.arange(_FRACTIONS + 1) / _FRACTIONS, half)
    table[0] = np.arange(2 * half) == half
    table[-1] = np.arange(2 * half) == half - 1
    return table


@compiled
def _add_delayed(
    out: NDArray[Any], samples: NDArray[Any], delay: float, most: int, table: NDArray[Any]
) -> None:
    """Add the samples delayed by 0 to `most`, which stands before the first of them."""
    whole = int(delay)
    place = (delay - whole) * (table.shape[0] - 1)
    row = int(place)
    between = place - row
    taps = table[row]
    if between > 0:
        taps = (1 - between) * table[row] + between * table[row + 1]
    add_filtered(out, samples[most - whole :], taps)


@compiled
def _followed(
    samples: NDArray[Any],
    delays: NDArray[Any],
    first: int,
    most: int,
    table: NDArray[Any],
    frames: int,
) -> NDArray[Any]:
    """Return the samples delayed along a course, one delay per hop; the first is that far in."""
    out = np.zeros(frames)
    later = np.zeros(_HOP)
    begin = 0
    hop = 0
    while begin < frames:
        end = min(frames, (hop + 1) * _HOP - first)
        here = out[begin:end]
        _add_delayed(here, samples[begin:], delays[hop], most, table)
        if delays[hop + 1] != delays[hop]:
            next_ = later[: end - begin]
            next_[:] = 0.0
            _add_delayed(next_, samples[begin:], delays[hop + 1], most, table)
            for i in range(end - begin):
                here[i] += (next_[i] - here[i]) * ((begin + first + i - hop * _HOP) / _HOP)
        begin = end
        hop += 1
    return out
