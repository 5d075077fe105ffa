"""A stream at a lower rate, each sample the mean of some neighbours.

That is a poor low pass: what lies over the lower rate's band is folded into it. It serves where
levels are measured, and what is folded sounds at the same time.
"""

from __future__ import annotations

import numpy as np

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled


@compiled
def _means_of(block, joined, means):  # type: ignore[no-untyped-def]
    """Fill the means of so many neighbours each."""
    scale = np.float32(1 / joined)
    for i in range(means.shape[0]):
        left, right = np.float32(0), np.float32(0)
        for j in range(i * joined, (i + 1) * joined):
            left += block[j, 0]
            right += block[j, 1]
        means[i, 0], means[i, 1] = scale * left, scale * right


class Averages:
    """Means of neighbours in a stereo stream.

    Parameters
    ----------
    joined
        How many samples make one; 1 passes the stream.
    """

    def __init__(self, joined: int) -> None:
        self._joined = joined
        self._rest = np.zeros((0, 2), np.float32)

    def feed(self, block: Samples) -> Samples:
        """Take the next samples, shape (frames, 2); return the means that they complete."""
        block = np.ascontiguousarray(block)
        if self._joined == 1:
            return block
        if len(self._rest):
            block = np.concatenate((self._rest, block))
        whole = len(block) - len(block) % self._joined
        self._rest = block[whole:].copy()
        means = np.empty((whole // self._joined, 2), np.float32)
        _means_of(block, self._joined, means)
        return means
