"""How a side is: the readings that its mending rests on, and that tell what it did."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from assembler.dsp.blocks import Samples
from assembler.restoration.analysis.channels import ChannelMeter, ChannelReading
from assembler.restoration.analysis.hum import HumMeter, HumReading
from assembler.restoration.analysis.programme import ProgrammeMeter, ProgrammeReading
from assembler.restoration.repair.clicks import ClickMeter, ClickReading


@dataclass(frozen=True)
class Condition:
    """All readings of one side."""

    channels: ChannelReading
    hum: HumReading
    clicks: ClickReading
    programme: ProgrammeReading


class ConditionMeter:
    """Meter of all that mending changes.

    Parameters
    ----------
    rate_hz
        Sample rate.
    """

    def __init__(self, rate_hz: int) -> None:
        self._channels = ChannelMeter(rate_hz)
        self._hum = HumMeter(rate_hz)
        self._clicks = ClickMeter(rate_hz)
        self._programme = ProgrammeMeter(rate_hz)

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (frames, 2)."""
        for meter in (self._channels, self._hum, self._clicks, self._programme):
            meter.feed(block)

    def passed(self, blocks: Iterable[Samples]) -> Iterator[Samples]:
        """Give blocks on as they are, measured on the way."""
        for block in blocks:
            self.feed(block)
            yield block

    def reading(self) -> Condition:
        """Give the readings of all samples so far."""
        return Condition(
            self._channels.reading(),
            self._hum.reading(),
            self._clicks.reading(),
            self._programme.reading(),
        )


def condition_of(blocks: Iterable[Samples], rate_hz: int) -> Condition:
    """Measure a side from end to end."""
    meter = ConditionMeter(rate_hz)
    for block in blocks:
        meter.feed(block)
    return meter.reading()
