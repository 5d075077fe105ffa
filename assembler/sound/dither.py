"""Word length: TPDF dither, once and last, and only where words are shortened.

Triangular dither of 2 LSB peak to peak makes the total error noise Δ²/4, independent of the
signal in its first two moments (Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40, 1992).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from assembler.sound.blocks import Samples

Words = NDArray[np.int32]


class WordLength:
    """Shorten a stream of samples to whole numbers.

    Parameters
    ----------
    bits
        Word length, 16 or 24.
    seed
        Seed of the dither: the same seed gives the same words. None rounds without dither, which
        is exact where the samples already are words of that length.
    same_in_both
        The two channels hold one signal and get one dither, so that mono stays mono.
    """

    def __init__(self, bits: int, seed: int | None, *, same_in_both: bool = False) -> None:
        self._scale = float(1 << (bits - 1))
        self._random = None if seed is None else np.random.Generator(np.random.SFC64(seed))
        self._same_in_both = same_in_both

    def words(self, block: Samples) -> Words:
        """Give the words of the next samples.

        Returns
        -------
        ndarray of int32, shape as `block`
            From -2^(bits-1) to 2^(bits-1) - 1.
        """
        scaled = block.astype(np.float64) * self._scale
        if self._random is not None:
            channels = 1 if self._same_in_both else block.shape[1]
            pairs = self._random.random((len(block), 2, channels), dtype=np.float32)
            scaled += pairs[:, 0]
            scaled -= pairs[:, 1]
        scaled += 0.5
        np.floor(scaled, out=scaled)
        np.clip(scaled, -self._scale, self._scale - 1, out=scaled)
        return scaled.astype(np.int32)


def samples_of(words: Words, bits: int) -> Samples:
    """Give words as samples, exactly."""
    return (words / np.float64(1 << (bits - 1))).astype(np.float32)
