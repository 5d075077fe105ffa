"""Repair the channels: remove DC offset, swap, invert polarity, correct balance.

Samples that need no change pass bit for bit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Literal

import numpy as np

from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import amplitude


def remove_dc(blocks: Iterable[Samples], dc: tuple[float, float]) -> Iterator[Samples]:
    """Subtract a constant offset from each channel.

    Parameters
    ----------
    blocks, dc
        The stream, and the offset of left and right, relative to full scale.
    """
    if not any(dc):
        yield from blocks
        return
    yield from _by_channel(blocks, np.subtract, dc)


def swap_channels(blocks: Iterable[Samples]) -> Iterator[Samples]:
    """Exchange left and right."""
    for block in blocks:
        swapped = np.empty_like(block)
        swapped[:, 0], swapped[:, 1] = block[:, 1], block[:, 0]
        yield swapped


def invert_polarity(
    blocks: Iterable[Samples], which: Literal["left", "right", "both"]
) -> Iterator[Samples]:
    """Invert the polarity of one channel or both."""
    signs = (1.0 if which == "right" else -1.0, 1.0 if which == "left" else -1.0)
    return _by_channel(blocks, np.multiply, signs)


def correct_balance(blocks: Iterable[Samples], left_db: float) -> Iterator[Samples]:
    """Raise the left channel re right.

    One channel is raised and the other lowered so that a centred source keeps its power: raising
    one channel alone would make this track louder than its neighbours, and clip sooner.

    Parameters
    ----------
    blocks, left_db
        The stream, and the gain of left re right; negative to raise the right channel.
    """
    if not left_db:
        yield from blocks
        return
    ratio = amplitude(left_db)
    right = math.sqrt(2 / (1 + ratio**2))
    yield from _by_channel(blocks, np.multiply, (ratio * right, right))


def _by_channel(
    blocks: Iterable[Samples], function: np.ufunc, values: tuple[float, float]
) -> Iterator[Samples]:
    """Apply a function to each channel and its value, in double precision.

    Channel by channel: a loop over the two samples of each frame costs three times as much.
    """
    for block in blocks:
        out = np.empty_like(block)
        for n, value in enumerate(values):
            function(block[:, n], value, out=out[:, n], dtype=np.float64, casting="same_kind")
        yield out
