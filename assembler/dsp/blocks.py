"""Streams of blocks: overlap between blocks, cuts at sample positions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]


class Neighbours:
    """Extend the blocks of a stream by neighbouring samples, with zeros beyond the ends.

    Parameters
    ----------
    before, after
        Number of samples on either side.
    channels
        Number of channels.
    """

    def __init__(self, before: int, after: int, channels: int) -> None:
        self.before = before
        self.after = after
        self._kept = np.zeros((before, channels), np.float32)

    def feed(self, block: Samples) -> Samples:
        """Add a block and return the samples whose neighbours are now complete, with these.

        Returns
        -------
        ndarray, shape (n + before + after, channels)
            n ≥ 0 samples with their neighbours.
        """
        padded = np.concatenate((self._kept, block))
        around = self.before + self.after
        if len(padded) < around:
            self._kept = padded
            return np.zeros((around, block.shape[1]), np.float32)
        self._kept = padded[len(padded) - around :]
        return padded

    def finish(self) -> Samples:
        """Return the last samples, with zeros after them."""
        return self.feed(np.zeros((self.after, self._kept.shape[1]), np.float32))


def cut(blocks: Iterable[Samples], cuts: Sequence[int]) -> Iterator[tuple[int, Samples]]:
    """Cut a stream at sample positions.

    Parameters
    ----------
    blocks
        The stream.
    cuts
        Ascending sample positions; part 0 ends at the first.

    Yields
    ------
    part, samples
        The pieces in order, each with the number of its part.
    """
    position = 0
    part = 0
    for block in blocks:
        while part < len(cuts) and position + len(block) > cuts[part]:
            head = cuts[part] - position
            if head > 0:
                yield part, block[:head]
            block = block[max(head, 0) :]
            position = max(cuts[part], position)
            part += 1
        if len(block):
            yield part, block
            position += len(block)


def skip(blocks: Iterable[Samples], start: int, length: int) -> Iterator[Samples]:
    """Yield `length` samples of a stream, from sample `start` on."""
    position = 0
    end = start + length
    for block in blocks:
        piece = block[max(start - position, 0) : max(end - position, 0)]
        position += len(block)
        if len(piece):
            yield piece
