"""Streams of blocks: overlap between blocks, windows, cuts at sample positions, meters."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
Pcm = NDArray[np.int32]
"""Whole numbers of up to 24 bits."""


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


class Windows:
    """Windows of a stereo stream at regular steps, overlapping or apart.

    A window is a view of the block that it is in, or of samples that are kept from block to block:
    it is valid until the next one is asked for.

    Parameters
    ----------
    size
        Length of each window.
    step
        From the start of a window to that of the next.

    Attributes
    ----------
    step
        May be changed between windows.
    start
        Position of the last window in the stream.
    """

    def __init__(self, size: int, step: int) -> None:
        self.step = step
        self.start = 0
        self._size = size
        self._kept = np.zeros((2 * size, 2), np.float32)
        self._first = self._after = 0
        self._next = 0
        self._to_skip = 0

    @property
    def rest(self) -> Samples:
        """The samples that are not in a complete window yet."""
        return self._kept[self._first : self._after]

    def feed(self, block: Samples) -> Iterator[Samples]:
        """Add a block and yield the windows that are complete."""
        skipped = min(self._to_skip, len(block))
        self._to_skip -= skipped
        block = np.ascontiguousarray(block[skipped:])
        kept = self._after - self._first
        self._keep(block[: self._size - 1] if kept else block[:0])
        at, end = 0, kept + len(block)
        while at + self._size <= end:
            sound, begin = (self._kept, self._first) if at < kept else (block, -kept)
            self.start = self._next
            yield sound[begin + at : begin + at + self._size]
            self._next += self.step
            at += self.step
        if at < kept:
            self._first += at
        else:
            self._first = self._after = 0
            self._keep(block[at - kept :])
            self._to_skip += max(0, at - end)

    def _keep(self, samples: Samples) -> None:
        """Append samples to those that are kept."""
        kept = self._after - self._first
        if self._first >= kept or self._after + len(samples) > len(self._kept):
            self._kept[:kept] = self.rest
            self._first, self._after = 0, kept
        self._kept[self._after : self._after + len(samples)] = samples
        self._after += len(samples)


class BlockMeter(Protocol):
    """A meter that is fed a stream block by block."""

    def feed(self, block: Samples, /) -> None:
        """Add the next samples, shape (frames, 2)."""


def feed_all(blocks: Iterable[Samples], *meters: BlockMeter) -> None:
    """Feed a stream to meters from end to end."""
    for block in blocks:
        for meter in meters:
            meter.feed(block)


def in_pieces(blocks: Iterable[Samples], most: int) -> Iterator[Samples]:
    """Yield a stream in blocks of at most so many samples."""
    for block in blocks:
        for begin in range(0, len(block), most):
            yield block[begin : begin + most]


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
        if position >= end:
            return
