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
    offset = np.array(dc)
    for block in blocks:
        yield (block - offset).astype(np.float32)


def swap_channels(blocks: Iterable[Samples]) -> Iterator[Samples]:
    """Exchange left and right."""
    for block in blocks:
        yield np.ascontiguousarray(block[:, ::-1])


def invert_polarity(
    blocks: Iterable[Samples], which: Literal["left", "right", "both"]
) -> Iterator[Samples]:
    """Invert the polarity of one channel or both."""
    signs = np.array([which == "right", which == "left"], np.float32) * 2 - 1
    for block in blocks:
        yield block * signs


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
    gains = np.array([ratio * right, right])
    for block in blocks:
        yield (block * gains).astype(np.float32)
