"""Measure the condition of a side: the readings from which restoration is resolved and reported."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import islice
from typing import Any

from assembler.cancel import check_cancelled
from assembler.dsp.blocks import BlockMeter, Samples, feed_all
from assembler.restoration.analysis.clicks import ClickMeter, ClickReading
from assembler.restoration.analysis.dropouts import Dropout, DropoutMeter
from assembler.restoration.analysis.hum import HumMeter, HumReading
from assembler.restoration.analysis.partials import PartialMeter
from assembler.restoration.analysis.programme import ProgrammeMeter, ProgrammeReading
from assembler.restoration.analysis.stereo.channels import ChannelMeter, ChannelReading
from assembler.restoration.analysis.stereo.delay_path import (
    NOT_FOLLOWED,
    DelayPathMeter,
    DelayPathReading,
)
from assembler.restoration.analysis.tonal_balance import TonalBalanceMeter, TonalBalanceReading
from assembler.restoration.analysis.wow import NOT_LOOKED_FOR, WowReading, wow_of
from assembler.workers import result_of, return_freed_memory

BATCH_BLOCKS = 4
"""Blocks handed on at once: a few megabytes, so that threads rarely wait for each other."""


@dataclass(frozen=True)
class Condition:
    """Readings of one side."""

    channels: ChannelReading
    hum: HumReading
    clicks: ClickReading
    dropouts: tuple[Dropout, ...]
    programme: ProgrammeReading
    tonal_balance: TonalBalanceReading
    delay_path: DelayPathReading
    wow: WowReading = NOT_LOOKED_FOR
    """These two are not determined unless they were asked for."""


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


class ConditionMeter:
    """Meter of everything that restoration changes.

    Parameters
    ----------
    rate_hz
        Sample rate of the stream.
    follows_delay
        Whether the interchannel delay is measured over time too.
    finds_wow
        Whether cyclic wow is looked for too.
    """

    def __init__(self, rate_hz: int, *, follows_delay: bool, finds_wow: bool) -> None:
        self._meters: dict[str, Any] = {
            "hum": HumMeter(rate_hz),
            "channels": ChannelMeter(rate_hz),
            "clicks": ClickMeter(rate_hz),
            "dropouts": DropoutMeter(rate_hz),
            "programme": ProgrammeMeter(rate_hz),
            "tonal_balance": TonalBalanceMeter(rate_hz),
        }
        if follows_delay:
            self._meters["delay_path"] = DelayPathMeter(rate_hz)
        if finds_wow:
            self._meters["partials"] = PartialMeter(rate_hz)

    @property
    def meters(self) -> Collection[BlockMeter]:
        """The meters, each of which is to be fed the stream; the slowest first."""
        return tuple(self._meters.values())

    def reading(self) -> Condition:
        """End the stream and return its readings; what each meter keeps is freed."""
        readings = readings_of(self._meters)
        partials = readings.pop("partials", None)
        wow = wow_of(partials) if partials else NOT_LOOKED_FOR
        return Condition(**{"delay_path": NOT_FOLLOWED, "wow": wow, **readings})
