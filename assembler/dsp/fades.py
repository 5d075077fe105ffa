"""Fades of an exact length: equal-power (sine) curves, or straight lines."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples

Shape = Literal["equal_power", "linear"]


def rise(
    positions: NDArray[np.int64], length: int, shape: Shape = "equal_power"
) -> NDArray[np.float64]:
    """Return the gain of a rise from 0 at position 0 to 1 at position `length` and after.

    "equal_power" is a quarter of a sine: the powers of a rise and of the fall that mirrors it add
    to one, as befits sounds that have nothing in common. "linear": their amplitudes add to one.
    """
    line: NDArray[np.float64] = np.clip(positions / length, 0.0, 1.0)
    return line if shape == "linear" else np.sin(np.pi / 2 * line)


def fade(
    blocks: Iterable[Samples],
    length: int,
    fade_in: int,
    fade_out: int,
    *,
    shape: Shape = "equal_power",
) -> Iterator[Samples]:
    """Fade a stream in from its first sample and out to its last.

    Parameters
    ----------
    blocks
        The stream.
    length
        Samples in it.
    fade_in, fade_out
        Lengths of the fades in samples; 0 for none.
    shape
        Curve of both, as `rise` has it.
    """
    position = 0
    for block in blocks:
        if not len(block):
            continue
        places = np.arange(position, position + len(block))
        position += len(block)
        gain = np.ones(len(block))
        if fade_in and places[0] < fade_in:
            gain *= rise(places, fade_in, shape)
        if fade_out and places[-1] >= length - fade_out:
            gain *= rise(length - 1 - places, fade_out, shape)
        yield block if (gain == 1).all() else (block * gain[:, None]).astype(np.float32)
