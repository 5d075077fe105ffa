"""Fades of an exact length, equal-power (sine) or linear."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples

Shape = Literal["equal_power", "linear"]


def fade_gain(
    positions: NDArray[np.int64], length: int, shape: Shape = "equal_power"
) -> NDArray[np.float64]:
    """Return the gain of a fade-in from 0 at position 0 to 1 at position `length` and after.

    "equal_power" is a quarter of a sine: the powers of a fade-in and of its mirrored fade-out add
    up to one, as is right for uncorrelated sounds. "linear": their amplitudes add up to one.
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
        Its length in samples.
    fade_in, fade_out
        Lengths of the fades in samples; 0 for none.
    shape
        Curve of both, see `fade_gain`.
    """
    end = 0
    for block in blocks:
        start, end = end, end + len(block)
        fades_in, fades_out = start < fade_in, fade_out and end > length - fade_out
        if not (fades_in or fades_out):
            yield block
            continue
        positions = np.arange(start, end)
        gain = np.ones(len(block))
        if fades_in:
            gain *= fade_gain(positions, fade_in, shape)
        if fades_out:
            gain *= fade_gain(length - 1 - positions, fade_out, shape)
        yield (block * gain[:, None]).astype(np.float32)
