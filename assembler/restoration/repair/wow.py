"""Correct cyclic wow: each sample is read where the tape was at that moment.

The filter is a windowed sinc whose delay varies (Laakso and others, "Splitting the unit delay",
IEEE Signal Processing Magazine 13(1), 1996, from memory). What half a period puts early, the other
half puts late: a side keeps its length, and its tracks stay where they were within milliseconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
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


def _table() -> NDArray[np.float64]:
    """Return taps by the fraction of a sample; tap k is for the sample k − half + 1 after it."""
    fractions = np.arange(_PHASES + 1) / _PHASES
    ages = np.arange(2 * _HALF_TAPS) - _HALF_TAPS + 1 - fractions[:, None]
    inside = np.maximum(0, 1 - (ages / _HALF_TAPS) ** 2)
    taps = np.sinc(ages) * np.i0(_KAISER_BETA * np.sqrt(inside))
    rows: NDArray[np.float64] = taps / taps.sum(axis=1, keepdims=True)
    return rows


@compiled
def _read_at(
    padded: NDArray[Any], first: int, offsets: NDArray[Any], table: NDArray[Any], out: NDArray[Any]
) -> None:
    """Fill out[n] with the samples that are offsets[n] samples after `first` + n."""
    half, phases = table.shape[1] // 2, table.shape[0] - 1
    for n in range(out.shape[0]):
        whole = int(np.floor(offsets[n]))
        phase = (offsets[n] - whole) * phases
        begin = first + n + whole - half + 1
        row = int(phase)
        mix = phase - row
        left, right = 0.0, 0.0
        for k in range(2 * half):
            tap = table[row, k] + mix * (table[row + 1, k] - table[row, k])
            left += tap * padded[begin + k, 0]
            right += tap * padded[begin + k, 1]
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
    for block in blocks:
        yield (out := _corrected(neighbours.feed(block), reach, rate_hz, wow, table, done))
        done += len(out)
    yield _corrected(neighbours.finish(), reach, rate_hz, wow, table, done)


def _corrected(
    padded: Samples, reach: int, rate_hz: int, wow: CyclicWow, table: NDArray[np.float64], done: int
) -> Samples:
    """Return the samples that are complete with their neighbours."""
    count = len(padded) - 2 * reach
    out = np.zeros((count, 2), np.float32)
    times_s = (done + np.arange(count)) / rate_hz
    read_s = times_s
    for _ in range(_ROUNDS):
        read_s = times_s - wow.ahead_s(read_s)
    _read_at(padded, reach, (read_s - times_s) * rate_hz, table, out)
    return out
