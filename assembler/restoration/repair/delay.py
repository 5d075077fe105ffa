"""Delay of one channel by a part of a sample, so that both hear the tape at the same time.

A head that stands askew reads one channel late; the earlier one is delayed by as much. The filter
is a windowed sinc (Laakso and others, "Splitting the unit delay", IEEE Signal Processing Magazine
13(1), 1996, from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.fir import add_filtered

_HALF_TAPS = 40
_HALF_TAPS_ABOVE_64_KHZ = 20
_KAISER_BETA = 6.0
_NEXT_TO_WHOLE = 1e-6
_AT_ONCE = 4096
"""Samples whose sums stay in the processor's cache while all taps are added."""


def fractional_delay_taps(delay_samples: float, half: int) -> NDArray[np.float64]:
    """Give the filter that delays by a part of a sample.

    Parameters
    ----------
    delay_samples
        From −0.5 to 0.5.
    half
        Taps on either side, a multiple of 4.

    Returns
    -------
    ndarray, shape (2 * half,)
        taps[k] is for the sample that lies half − k before.
    """
    ages = half - np.arange(2 * half) - delay_samples
    inside = np.maximum(0, 1 - (ages / (half + 0.5)) ** 2)
    taps = np.sinc(ages) * np.i0(_KAISER_BETA * np.sqrt(inside))
    scaled: NDArray[np.float64] = taps / taps.sum()
    return scaled


@compiled
def _filtered(padded, taps, out):  # type: ignore[no-untyped-def]
    """Fill out[i], zeros, with the sum of taps[k] * padded[i + k]."""
    for begin in range(0, out.shape[0], _AT_ONCE):
        add_filtered(out[begin : begin + _AT_ONCE], padded[begin:], taps)


def aligned(blocks: Iterable[Samples], rate_hz: int, right_late_us: float) -> Iterator[Samples]:
    """Delay the channel that is early.

    Parameters
    ----------
    blocks
        The sound, shape (frames, 2).
    rate_hz
        Sample rate.
    right_late_us
        By how much the right is late, in microseconds; below 0 the left is.

    Yields
    ------
    ndarray of float32
        As many samples in all as come in: the delayed channel begins with silence, its last
        samples are lost.
    """
    late = abs(right_late_us) * 1e-6 * rate_hz
    if not late:
        yield from blocks
        return
    early = 0 if right_late_us > 0 else 1
    whole = round(late)
    if abs(late - whole) < _NEXT_TO_WHOLE:
        late = float(whole)
    half = _HALF_TAPS if rate_hz < 64_000 else _HALF_TAPS_ABOVE_64_KHZ
    taps = fractional_delay_taps(late - whole, half)
    if late == whole:
        taps = (np.arange(2 * half) == half).astype(np.float64)
    neighbours = Neighbours(whole + half, half - 1, 2)
    for block in blocks:
        yield _delayed(neighbours.feed(block), early, neighbours, taps)
    yield _delayed(neighbours.finish(), early, neighbours, taps)


def _delayed(
    padded: Samples, early: int, neighbours: Neighbours, taps: NDArray[np.float64]
) -> Samples:
    """Delay one channel of the samples that have all their neighbours."""
    frames = len(padded) - neighbours.before - neighbours.after
    delayed = padded[neighbours.before : neighbours.before + frames].copy()
    sums = np.zeros(frames)
    _filtered(padded[: frames + len(taps), early].astype(np.float64), taps, sums)
    delayed[:, early] = sums
    return delayed
