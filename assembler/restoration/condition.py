"""Measure the condition of a side: the readings from which restoration is resolved and reported."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.clicks import ClickMeter, ClickReading
from assembler.restoration.analysis.hum import HumMeter, HumReading
from assembler.restoration.analysis.programme import ProgrammeMeter, ProgrammeReading
from assembler.restoration.analysis.stereo.channels import ChannelMeter, ChannelReading
from assembler.restoration.analysis.tonal_balance import TonalBalanceMeter, TonalBalanceReading


@dataclass(frozen=True)
class Condition:
    """Readings of one side."""

    channels: ChannelReading
    hum: HumReading
    clicks: ClickReading
    programme: ProgrammeReading
    tonal_balance: TonalBalanceReading


class ConditionMeter:
    """Meter of everything that restoration changes."""

    def __init__(self, rate_hz: int) -> None:
        self._meters: dict[str, Any] = {
            "channels": ChannelMeter(rate_hz),
            "hum": HumMeter(rate_hz),
            "clicks": ClickMeter(rate_hz),
            "programme": ProgrammeMeter(rate_hz),
            "tonal_balance": TonalBalanceMeter(rate_hz),
        }

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        for meter in self._meters.values():
            meter.feed(block)

    def reading(self) -> Condition:
        """Return the readings of all samples so far."""
        return Condition(**{name: meter.reading() for name, meter in self._meters.items()})
