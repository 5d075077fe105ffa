"""Reduce the rate of a stream by averaging adjacent samples.

This is a poor low pass: treble is aliased into the lower band. It is good enough for measuring
levels, because aliases sound at the same time as the treble.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled


@compiled
def _fill_means(block: NDArray[Any], joined: int, means: NDArray[Any]) -> None:
    """Fill the means of so many adjacent samples each."""
    scale = np.float32(1 / joined)
    for i in range(means.shape[0]):
        left, right = np.float32(0), np.float32(0)
        for j in range(i * joined, (i + 1) * joined):
            left += block[j, 0]
            right += block[j, 1]
        means[i, 0], means[i, 1] = scale * left, scale * right


class Averages:
    """Means of adjacent samples of a stereo stream.

    Parameters
    ----------
    joined
        Samples per mean; 1 passes the stream unchanged.
    """

    def __init__(self, joined: int) -> None:
        self._joined = joined
        self._rest = np.zeros((0, 2), np.float32)

    def feed(self, block: Samples) -> Samples:
        """Add the next samples, shape (frames, 2), and return the means that are complete."""
        block = np.ascontiguousarray(block)
        if self._joined == 1:
            return block
        if len(self._rest):
            block = np.concatenate((self._rest, block))
        whole = len(block) - len(block) % self._joined
        self._rest = block[whole:].copy()
        means = np.empty((whole // self._joined, 2), np.float32)
        _fill_means(block, self._joined, means)
        return means
