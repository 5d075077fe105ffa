"""Sample-rate conversion by soxr at its best quality, and the position of a section afterwards.

A section's samples at another rate are those of the whole recording, converted and cut on the
recording's own time grid: consecutive sections of a recording are consecutive at every rate,
without a sample lost or added.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np

from assembler.dsp.blocks import Samples, skip

SETTLE_S = 1.0
"""Sound read before a section, so that filters have settled when it begins."""
BEYOND_S = 0.1
"""Sound read after a section, so that the conversion includes its end."""


def position_at(sample: int, from_hz: int, to_hz: int) -> int:
    """Return the first sample at the rate `to_hz` that is at or after a sample at `from_hz`."""
    return -(-sample * to_hz // from_hz)


def settled_start(start: int, from_hz: int, to_hz: int, settle_s: float = SETTLE_S) -> int:
    """Return a sample about `settle_s` before `start` at which both rates have a sample."""
    step = from_hz // math.gcd(from_hz, to_hz)
    return max(0, (start - round(settle_s * from_hz)) // step * step)


def resample(blocks: Iterable[Samples], from_hz: int, to_hz: int) -> Iterator[Samples]:
    """Convert a stream to another rate; at the same rate it is unchanged."""
    if from_hz == to_hz:
        yield from blocks
        return
    import soxr

    stream: soxr.ResampleStream | None = None
    channels = 2
    for block in blocks:
        if stream is None:
            channels = block.shape[1]
            stream = soxr.ResampleStream(from_hz, to_hz, channels, dtype="float32", quality="VHQ")
        yield stream.resample_chunk(np.ascontiguousarray(block))
    if stream is not None:
        yield stream.resample_chunk(np.zeros((0, channels), np.float32), last=True)


def section_at(
    blocks: Iterable[Samples], read_from: int, start: int, end: int, from_hz: int, to_hz: int
) -> Iterator[Samples]:
    """Convert a section of a recording.

    Parameters
    ----------
    blocks
        The recording from sample `read_from` on, up to or past `end`.
    read_from
        A sample at which both rates have one (`settled_start`).
    start, end
        The section in samples at `from_hz`.
    from_hz, to_hz
        Rates.

    Yields
    ------
    ndarray
        In all `position_at(end) - position_at(start)` samples.
    """
    first = position_at(start, from_hz, to_hz) - position_at(read_from, from_hz, to_hz)
    length = position_at(end, from_hz, to_hz) - position_at(start, from_hz, to_hz)
    delivered = 0
    channels = 2
    for piece in skip(resample(blocks, from_hz, to_hz), first, length):
        delivered += len(piece)
        channels = piece.shape[1]
        yield piece
    if delivered < length:  # the recording ends before the section's last sample at this rate
        yield np.zeros((length - delivered, channels), np.float32)
