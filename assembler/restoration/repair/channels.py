"""Mending of channels: offset from 0, exchanged, inverted, out of balance.

What is not asked for passes bit for bit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Literal

import numpy as np

from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import amplitude


def without_dc(
    blocks: Iterable[Samples],
    rate_hz: int,  # noqa: ARG001 (as every mending that reads a measurement takes it)
    dc: tuple[float, float],
) -> Iterator[Samples]:
    """Take a steady offset off each channel.

    Parameters
    ----------
    blocks
        The sound, shape (frames, 2).
    rate_hz
        Sample rate.
    dc
        Offset of left and right, of full scale.

    Yields
    ------
    ndarray of float32
        The blocks, moved.
    """
    if not any(dc):
        yield from blocks
        return
    offset = np.array(dc)
    for block in blocks:
        yield (block - offset).astype(np.float32)


def swapped(blocks: Iterable[Samples]) -> Iterator[Samples]:
    """Exchange left and right."""
    for block in blocks:
        yield np.ascontiguousarray(block[:, ::-1])


def inverted(
    blocks: Iterable[Samples], which: Literal["left", "right", "both"]
) -> Iterator[Samples]:
    """Turn the polarity of one channel or both."""
    signs = np.array([which == "right", which == "left"], np.float32) * 2 - 1
    for block in blocks:
        yield block * signs


def balanced(blocks: Iterable[Samples], left_db: float) -> Iterator[Samples]:
    """Raise the left channel against the right.

    One goes up and the other down, so that what stands in the middle keeps its power: to raise one
    side alone would make this song louder than its neighbours, and clip sooner.

    Parameters
    ----------
    blocks
        The sound, shape (frames, 2).
    left_db
        By how much the left is raised against the right; below 0 the right is.

    Yields
    ------
    ndarray of float32
        The blocks, balanced.
    """
    if not left_db:
        yield from blocks
        return
    ratio = amplitude(left_db)
    right = math.sqrt(2 / (1 + ratio**2))
    gains = np.array([ratio * right, right])
    for block in blocks:
        yield (block * gains).astype(np.float32)
