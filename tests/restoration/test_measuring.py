"""Streams that are made and measured by several threads, held against the streams themselves."""

from __future__ import annotations

import time
from collections.abc import Iterator

import numpy as np
import pytest

from assembler.dsp.blocks import Samples
from assembler.restoration.measuring import measured_in_parallel, worked_ahead
from assembler.workers import own_workers


class Heard:
    """A meter that keeps what it is fed."""

    def __init__(self) -> None:
        self.blocks: list[Samples] = []

    def feed(self, block: Samples) -> None:
        self.blocks.append(block)


@pytest.mark.parametrize("jobs", [1, 2, 5])
@pytest.mark.parametrize("count", [0, 1, 23])
def test_blocks_keep_their_order_and_each_meter_hears_all(jobs: int, count: int) -> None:
    blocks = [np.full((1 + n % 3, 2), n, np.float32) for n in range(count)]
    meters = Heard(), Heard()
    with own_workers(jobs) as pool:
        stream: Iterator[Samples] = iter(blocks)
        for _ in range(3):
            stream = worked_ahead(stream, pool)
        passed = list(measured_in_parallel(stream, meters, pool))
    for found in (passed, *(meter.blocks for meter in meters)):
        assert len(found) == count
        assert all(map(np.array_equal, found, blocks))


def test_an_error_in_a_stream_that_is_worked_ahead_is_raised() -> None:
    def broken() -> Iterator[Samples]:
        yield np.zeros((3, 2), np.float32)
        raise OSError("unreadable")

    with pytest.raises(OSError, match="unreadable"), own_workers(2) as pool:
        list(measured_in_parallel(worked_ahead(broken(), pool), (Heard(),), pool))


def test_a_meter_that_is_behind_hears_all_and_little_waits_for_it() -> None:
    waiting: list[int] = []

    class Slow(Heard):
        def feed(self, block: Samples) -> None:
            time.sleep(0.002)
            waiting.append(made - len(self.blocks))
            super().feed(block)

    made, size, count = 0, 1 << 16, 100

    def stream() -> Iterator[Samples]:
        nonlocal made
        for number in range(count):
            made += 1
            yield np.full((size, 2), number, np.float32)

    slow, quick = Slow(), Heard()
    with own_workers(2) as pool:
        passed = list(measured_in_parallel(stream(), (slow, quick), pool))
    for found in (passed, slow.blocks, quick.blocks):
        assert [int(block[0, 0]) for block in found] == list(range(count))
    assert max(waiting) <= 24  # 16 of a megasample, and those in hand


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_of_a_meter_is_raised(jobs: int) -> None:
    class Failing(Heard):
        def feed(self, block: Samples) -> None:
            super().feed(block)
            if len(self.blocks) == 5:
                raise OverflowError("too loud")

    blocks = [np.zeros((3, 2), np.float32) for _ in range(50)]
    with pytest.raises(OverflowError, match="too loud"), own_workers(jobs) as pool:
        list(measured_in_parallel(iter(blocks), (Heard(), Failing()), pool))
