"""Correct the interchannel delay of an azimuth error by a fractional delay of one channel.

A tilted head reads one channel late; the early one is delayed by as much. The filter is a windowed
sinc (Laakso and others, "Splitting the unit delay", IEEE Signal Processing Magazine 13(1), 1996,
from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.fir import add_filtered

_HALF_TAPS = 40
_HALF_TAPS_ABOVE_64_KHZ = 20
_KAISER_BETA = 6.0
_WHOLE_TOLERANCE = 1e-6
_BLOCK = 4096
"""Samples per pass of the filter, so that their sums stay in the processor's cache."""


def _fractional_delay_taps(delay_samples: float, half: int) -> NDArray[np.float64]:
    """Return the 2 half taps of a delay of −0.5 to 0.5; tap k is for the sample half − k before."""
    ages = half - np.arange(2 * half) - delay_samples
    inside = np.maximum(0, 1 - (ages / (half + 0.5)) ** 2)
    taps = np.sinc(ages) * np.i0(_KAISER_BETA * np.sqrt(inside))
    scaled: NDArray[np.float64] = taps / taps.sum()
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
    half = _HALF_TAPS if rate_hz < 64_000 else _HALF_TAPS_ABOVE_64_KHZ
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
