"""Fades: equal-power curves of an exact length."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from assembler.sound.blocks import Samples


def rise(positions: NDArray[np.int64], length: int) -> NDArray[np.float64]:
    """Give an equal-power rise from 0 at position 0 to 1 at position `length` and after."""
    turned: NDArray[np.float64] = np.sin(np.pi / 2 * np.clip(positions / length, 0.0, 1.0))
    return turned


def fade(blocks: Iterable[Samples], length: int, fade_in: int, fade_out: int) -> Iterator[Samples]:
    """Fade a stream in from its first sample and out to its last.

    Parameters
    ----------
    blocks
        The stream.
    length
        Samples in it.
    fade_in, fade_out
        Lengths of the fades in samples; 0 for none.
    """
    position = 0
    for block in blocks:
        if not len(block):
            continue
        places = np.arange(position, position + len(block))
        position += len(block)
        gain = np.ones(len(block))
        if fade_in and places[0] < fade_in:
            gain *= rise(places, fade_in)
        if fade_out and places[-1] >= length - fade_out:
            gain *= rise(length - 1 - places, fade_out)
        yield block if (gain == 1).all() else (block * gain[:, None]).astype(np.float32)
