"""Repair the channels: remove DC offset, swap, invert polarity, correct balance.

Samples that need no change pass bit for bit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.decibels import amplitude


def correct_channels(
    blocks: Iterable[Samples],
    *,
    dc: tuple[float, float] = (0.0, 0.0),
    swap: bool = False,
    invert: Literal["left", "right", "both"] | None = None,
) -> Iterator[Samples]:
    """Subtract a constant offset from each channel, then swap them, then invert polarity.

    Parameters
    ----------
    blocks, dc
        The stream, and the offset of left and right, relative to full scale.
    swap
        Exchange left and right.
    invert
        The channel whose polarity is inverted.
    """
    signs = (
        -1.0 if invert in ("left", "both") else 1.0,
        -1.0 if invert in ("right", "both") else 1.0,
    )
    return _changed(blocks, int(swap), dc[::-1] if swap else dc, signs)


def correct_balance(blocks: Iterable[Samples], left_db: float) -> Iterator[Samples]:
    """Raise the left channel re right.

    One channel is raised and the other lowered so that a centred source keeps its power: raising
    one channel alone would make this track louder than its neighbours, and clip sooner.

    Parameters
    ----------
    blocks, left_db
        The stream, and the gain of left re right; negative to raise the right channel.
    """
    ratio = amplitude(left_db)
    right = math.sqrt(2 / (1 + ratio**2))
    return _changed(blocks, 0, (0.0, 0.0), (ratio * right, right))


def _changed(
    blocks: Iterable[Samples],
    first: int,
    offsets: tuple[float, float],
    gains: tuple[float, float],
) -> Iterator[Samples]:
    """Yield a stream whose left channel is channel `first` of this one, in double precision."""
    for block in blocks:
        out = np.empty_like(block)
        _change(out.reshape(-1), block.reshape(-1), first, np.array(offsets), np.array(gains))
        yield out


@compiled
def _change(
    out: NDArray[Any], flat: NDArray[Any], first: int, offsets: NDArray[Any], gains: NDArray[Any]
) -> None:
    """Fill `out`, interleaved: offsets are subtracted, then the gains applied."""
    left, right = flat[first:], flat[1 - first :]
    for i in range(out.shape[0] // 2):
        out[2 * i] = (np.float64(left[2 * i]) - offsets[0]) * gains[0]
        out[2 * i + 1] = (np.float64(right[2 * i]) - offsets[1]) * gains[1]
