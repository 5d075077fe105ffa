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
_LANES = 16


def _table() -> NDArray[np.float32]:
    """Return taps by the fraction of a sample, each twice, for left and right in turn.

    Tap k is for the sample k − half + 1 after the place.
    """
    fractions = np.arange(_PHASES + 1) / _PHASES
    ages = np.arange(2 * _HALF_TAPS) - _HALF_TAPS + 1 - fractions[:, None]
    inside = np.maximum(0, 1 - (ages / _HALF_TAPS) ** 2)
    taps = np.sinc(ages) * np.i0(_KAISER_BETA * np.sqrt(inside))
    return np.repeat(taps / taps.sum(axis=1, keepdims=True), 2, axis=1).astype(np.float32)


@compiled
def _read_at(
    flat: NDArray[Any],
    first: int,
    offsets: NDArray[Any],
    after_hop: int,
    table: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """Fill out[n] with the samples that are an offset after `first` + n in the interleaved ones.

    offsets: in samples, one per hop; the first sample is `after_hop` after the first of them.
    """
    taps, phases = table.shape[1], table.shape[0] - 1
    lanes = np.zeros(_LANES, np.float32)
    for n in range(out.shape[0]):
        hop = (after_hop + n) // _HOP
        between = (after_hop + n - hop * _HOP) / _HOP
        offset = offsets[hop] + between * (offsets[hop + 1] - offsets[hop])
        whole = int(np.floor(offset))
        phase = (offset - whole) * phases
        row = int(phase)
        mix = np.float32(phase - row)
        low, high = table[row], table[row + 1]
        begin = 2 * (first + n + whole + 1) - taps // 2
        piece = flat[begin : begin + taps]
        lanes[:] = 0.0
        for k in range(0, taps, _LANES):
            for j in range(_LANES):
                lanes[j] += (low[k + j] + mix * (high[k + j] - low[k + j])) * piece[k + j]
        left, right = 0.0, 0.0
        for j in range(0, _LANES, 2):
            left += lanes[j]
            right += lanes[j + 1]
        out[n, 0], out[n, 1] = left, right


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
        flat = np.ascontiguousarray(padded).reshape(-1)
        _read_at(flat, reach, offsets, done % _HOP, table, out)
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
