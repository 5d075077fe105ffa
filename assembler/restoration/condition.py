"""Measure the condition of a side: the readings from which restoration is resolved and reported."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from assembler.dsp.blocks import Samples
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
from assembler.workers import return_freed_memory


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
        self._partials = PartialMeter(rate_hz) if finds_wow else None
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

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        for meter in self._meters.values():
            meter.feed(block)
        if self._partials:
            self._partials.feed(block)

    def reading(self) -> Condition:
        """End the stream and return its readings; what each meter keeps is freed."""
        wow = wow_of(self._partials.reading()) if self._partials else NOT_LOOKED_FOR
        self._partials = None
        readings = readings_of(self._meters)
        return Condition(**{"delay_path": NOT_FOLLOWED, "wow": wow, **readings})
