"""Run the meters of a side, and the parts of its restoration, side by side."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Collection, Iterator
from concurrent.futures import Executor, Future
from itertools import islice
from typing import Any

from assembler.audio import Recording
from assembler.cancel import check_cancelled
from assembler.dsp.blocks import BlockMeter, Samples, feed_all
from assembler.workers import (
    FALLBACK_S,
    keep_large_blocks_apart,
    own_workers,
    result_of,
    return_freed_memory,
)

BATCH_BLOCKS = 2
"""Blocks handed on at once: a megabyte or two, so that threads rarely wait for each other. With
four, a restoration at 96 kHz needs 35 MB more and is no faster."""

_MOST_WAITING = 1 << 20
"""Samples that may wait for a meter: 8 MB. Some meters do the work of ten seconds at once."""


def readings_of(meters: dict[str, Any]) -> dict[str, Any]:
    """Return the reading of each meter, the last first, and free it: some keep much of a side."""
    readings = {}
    while meters:
        name, meter = meters.popitem()
        readings[name] = meter.reading()
        del meter
        return_freed_memory()
    return readings


def read_side(
    recording: Recording, meters: dict[str, Any], jobs: int | None = None
) -> dict[str, Any]:
    """Feed a whole side to meters, and return the reading of each.

    Parameters
    ----------
    recording
        The side, which is only read.
    meters
        Meters by name, the one that is read last first; each is removed when it is read.
    jobs
        How many run at once; by default as many as there are cores.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    keep_large_blocks_apart()
    with own_workers(jobs) as pool:
        stream = recording.blocks(0, recording.frames)
        for _ in measured_in_parallel(stream, tuple(meters.values()), pool):
            pass
    return readings_of(meters)


def worked_ahead(blocks: Iterator[Samples], pool: Executor) -> Iterator[Samples]:
    """Yield a stream whose next blocks are made by another thread, as soon as one is free."""

    def read() -> list[Samples]:
        return list(islice(blocks, BATCH_BLOCKS))

    work = pool.submit(read)
    while batch := read() if work.cancel() else result_of(work):  # not begun: it is done here
        work = pool.submit(read)
        yield from batch


class _FedMeter:
    """A meter that is fed by a thread of a pool; some batches may wait for it."""

    def __init__(self, meter: BlockMeter, pool: Executor) -> None:
        self._meter, self._pool = meter, pool
        self._waiting: deque[list[Samples]] = deque()
        self._samples = 0
        self._changed = threading.Condition()
        self._work: Future[None] | None = None

    def add(self, batch: list[Samples]) -> None:
        """Feed it a batch, as soon as a thread is free."""
        with self._changed:
            self._waiting.append(batch)
            self._samples += sum(map(len, batch))
            if self._work is None:
                self._work = self._pool.submit(self._feed)

    def _feed(self) -> None:
        while batch := self._next():
            check_cancelled()
            feed_all(batch, self._meter)

    def _next(self) -> list[Samples] | None:
        with self._changed:
            batch = self._waiting.popleft() if self._waiting else None
            self._samples -= sum(map(len, batch or ()))
            if batch is None:
                self._work = None
            self._changed.notify()
            return batch

    def settle(self, most: int) -> None:
        """Wait until at most so many samples wait, or with -1 until it is fed all of them."""
        with self._changed:
            while (work := self._work) and not work.done() and self._samples > most:
                self._changed.wait(FALLBACK_S)
        if work and work.done():
            result_of(work)  # it ended with an error


def measured_in_parallel(
    blocks: Iterator[Samples], meters: Collection[BlockMeter], pool: Executor
) -> Iterator[Samples]:
    """Feed a stream to meters and yield its blocks, while the next ones are made."""
    fed = [_FedMeter(meter, pool) for meter in meters]
    batch = list(islice(blocks, BATCH_BLOCKS))
    while batch:
        check_cancelled()
        read = pool.submit(lambda: list(islice(blocks, BATCH_BLOCKS)))
        for meter in fed:
            meter.add(batch)
        yield from batch
        for meter in fed:
            meter.settle(_MOST_WAITING)
        batch = result_of(read)
    for meter in fed:
        meter.settle(-1)
