"""Run the meters of a side, and the parts of its restoration, side by side."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from concurrent.futures import Executor
from itertools import islice
from typing import Any

from assembler.cancel import check_cancelled
from assembler.dsp.blocks import BlockMeter, Samples, feed_all
from assembler.workers import result_of, return_freed_memory

BATCH_BLOCKS = 2
"""Blocks handed on at once: a megabyte or two, so that threads rarely wait for each other. With
four, a restoration at 96 kHz needs 35 MB more and is no faster."""


def readings_of(meters: dict[str, Any]) -> dict[str, Any]:
    """Return the reading of each meter, the last first, and free it: some keep much of a side."""
    readings = {}
    while meters:
        name, meter = meters.popitem()
        readings[name] = meter.reading()
        del meter
        return_freed_memory()
    return readings


def worked_ahead(blocks: Iterator[Samples], pool: Executor) -> Iterator[Samples]:
    """Yield a stream whose next blocks are made by another thread, as soon as one is free."""

    def read() -> list[Samples]:
        return list(islice(blocks, BATCH_BLOCKS))

    work = pool.submit(read)
    while batch := read() if work.cancel() else result_of(work):  # not begun: it is done here
        work = pool.submit(read)
        yield from batch


def measured_in_parallel(
    blocks: Iterator[Samples], meters: Collection[BlockMeter], pool: Executor
) -> Iterator[Samples]:
    """Feed a stream to meters and yield its blocks, while the next ones are made."""
    batch = list(islice(blocks, BATCH_BLOCKS))
    while batch:
        check_cancelled()
        read = pool.submit(lambda: list(islice(blocks, BATCH_BLOCKS)))
        work = [pool.submit(feed_all, batch, meter) for meter in meters]
        yield from batch
        for one in work:
            result_of(one)
        batch = result_of(read)
