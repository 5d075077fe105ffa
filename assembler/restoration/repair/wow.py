"""Correct cyclic wow: each sample is read where the tape was at that moment.

The filter is a windowed sinc whose delay varies (Laakso and others, "Splitting the unit delay",
IEEE Signal Processing Magazine 13(1), 1996, from memory). What half a period puts early, the other
half puts late: a side keeps its length, and its tracks stay where they were within milliseconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.wow import CyclicWow

_HALF_TAPS = 32
_KAISER_BETA = 8.0
_PHASES = 512
"""Delays per sample that are in the table; between them, taps are interpolated."""
_ROUNDS = 4
"""Each makes the place of a sample as much more exact as the speed error is small."""
_HOP = 16
"""Samples from one place that is worked out to the next; those between are interpolated."""


def _table() -> NDArray[np.float32]:
    """Return taps by the fraction of a sample. Tap k is for the sample k − half + 1 after it."""
    fractions = np.arange(_PHASES + 1) / _PHASES
    ages = np.arange(2 * _HALF_TAPS) - _HALF_TAPS + 1 - fractions[:, None]
    inside = np.maximum(0, 1 - (ages / _HALF_TAPS) ** 2)
    taps = np.sinc(ages) * np.i0(_KAISER_BETA * np.sqrt(inside))
    rows: NDArray[np.float32] = (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32)
    return rows


@compiled
def _read_at(
    left: NDArray[Any],
    right: NDArray[Any],
    first: int,
    offsets: NDArray[Any],
    inside: int,
    table: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """Fill out[n] with the samples that are an offset after `first` + n.

    offsets: in samples, one per hop; the first sample is `inside` after the first of them.
    """
    taps, phases = table.shape[1], table.shape[0] - 1
    lefts, rights = np.zeros(taps, np.float32), np.zeros(taps, np.float32)
    n = hop = 0
    while n < out.shape[0]:
        after = min(out.shape[0], n + _HOP - inside)
        slope = (offsets[hop + 1] - offsets[hop]) / _HOP
        while n < after:
            offset = offsets[hop] + inside * slope
            whole = int(np.floor(offset))
            phase = (offset - whole) * phases
            row = int(phase)
            mix = np.float32(phase - row)
            low, high = table[row], table[row + 1]
            begin = first + n + whole + 1 - taps // 2
            near_left, near_right = left[begin : begin + taps], right[begin : begin + taps]
            for k in range(taps):
                tap = low[k] + mix * (high[k] - low[k])
                lefts[k] = tap * near_left[k]
                rights[k] = tap * near_right[k]
            out[n, 0], out[n, 1] = _sum(lefts), _sum(rights)
            n += 1
            inside += 1
        inside = 0
        hop += 1


@compiled
def _sum(values: NDArray[Any]) -> np.float32:
    """Return the sum of 64 values, which are changed: in halves, so that the loops vectorise."""
    for k in range(32):
        values[k] += values[k + 32]
    for k in range(16):
        values[k] += values[k + 16]
    for k in range(8):
        values[k] += values[k + 8]
    total = np.float32(0)
    for k in range(8):
        total += values[k]
    return total


def correct_wow(
    blocks: Iterable[Samples], rate_hz: int, wow: CyclicWow, start: int = 0
) -> Iterator[Samples]:
    """Undo cyclic wow: n samples stay n samples.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    wow
        As measured.
    start
        Sample of the side at which the stream begins.
    """
    reach = int(np.ceil(wow.most_s * rate_hz)) + _HALF_TAPS + 1
    neighbours, table, done = Neighbours(reach, reach, 2), _table(), start
    for padded in chain((neighbours.feed(block) for block in blocks), _last(neighbours)):
        out = np.zeros((len(padded) - 2 * reach, 2), np.float32)
        hops = np.arange(done // _HOP, (done + len(out)) // _HOP + 2)
        offsets = _offsets_s(wow, hops * _HOP / rate_hz) * rate_hz
        left, right = np.ascontiguousarray(padded.T)
        _read_at(left, right, reach, offsets, done % _HOP, table, out)
        done += len(out)
        yield out


def _last(neighbours: Neighbours) -> Iterator[Samples]:
    yield neighbours.finish()


def _offsets_s(wow: CyclicWow, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far from a time the sound is that belongs there."""
    read_s = times_s
    for _ in range(_ROUNDS):
        read_s = times_s - wow.ahead_s(read_s)
    return read_s - times_s
