"""The condition of a side: the readings from which restoration is resolved and reported."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from assembler.audio import Recording
from assembler.manifest.transfers import Restoration
from assembler.restoration.analysis.clicks import ClickMeter
from assembler.restoration.analysis.dropouts import Dropout, DropoutMeter
from assembler.restoration.analysis.hum import Harmonic, HumMeter, HumReading
from assembler.restoration.analysis.hum_pitch import HumStretch
from assembler.restoration.analysis.partials import PartialMeter
from assembler.restoration.analysis.programme import ProgrammeMeter
from assembler.restoration.analysis.stereo.channels import ChannelMeter, ChannelReading
from assembler.restoration.analysis.stereo.delay_path import (
    NOT_FOLLOWED,
    DelayPathMeter,
    DelayPathReading,
)
from assembler.restoration.analysis.tonal_balance import (
    NO_BALANCE,
    TonalBalanceMeter,
    TonalBalanceReading,
)
from assembler.restoration.analysis.wow import NOT_LOOKED_FOR, CyclicWow, WowReading, wow_of
from assembler.restoration.measuring import read_side
from assembler.workers import return_freed_memory

_METERS: dict[str, Callable[[int], Any]] = {
    # Those whose readings need most memory, then the slowest first.
    "dropouts": DropoutMeter,
    "hum": HumMeter,
    "delay_path": DelayPathMeter,
    "clicks": ClickMeter,
    "partials": PartialMeter,
    "channels": ChannelMeter,
    "programme": ProgrammeMeter,
    "tonal_balance": TonalBalanceMeter,
}
_OF_EVERY_SIDE = ("dropouts", "clicks", "programme", "tonal_balance")


@dataclass(frozen=True)
class Condition:
    """Readings of one side; what was not looked for is not determined."""

    channels: ChannelReading
    hum: HumReading
    dropouts: tuple[Dropout, ...] = ()
    delay_path: DelayPathReading = NOT_FOLLOWED
    wow: WowReading = NOT_LOOKED_FOR
    clicks_per_minute: float | None = None
    thump_peaks: tuple[float, ...] = ()
    """Of the thumps after clicks, re full scale."""
    tonal_balance: TonalBalanceReading = NO_BALANCE
    begins_s: float | None = None
    """Where the programme begins."""

    def covers(self, restoration: Restoration) -> bool:
        """Return whether all that a restoration is resolved from was looked for."""
        asked = _asked_for(restoration)
        is_followed = "delay_path" not in asked or self.delay_path != NOT_FOLLOWED
        return is_followed and ("partials" not in asked or self.wow != NOT_LOOKED_FOR)

    def as_json(self) -> dict[str, Any]:
        """Return the readings as plain data; `from_json` reads them."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Condition:
        """Return the readings from the plain data of `as_json`."""
        channels, path = (_with_tuples(data[name]) for name in ("channels", "delay_path"))
        hum, wow = data["hum"], data["wow"]
        hum = {
            **hum,
            "harmonics": tuple(Harmonic(**one) for one in hum["harmonics"]),
            "stretches": tuple(map(HumStretch.from_json, hum["stretches"])),
        }
        return cls(
            ChannelReading(**channels),
            HumReading(**hum),
            tuple(Dropout(**one) for one in data["dropouts"]),
            DelayPathReading(**path),
            WowReading(**{**wow, "cyclic": wow["cyclic"] and CyclicWow.from_json(wow["cyclic"])}),
            data["clicks_per_minute"],
            tuple(data["thump_peaks"]),
            TonalBalanceReading(**data["tonal_balance"]),
            data["begins_s"],
        )


def _with_tuples(reading: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: tuple(value) if isinstance(value, list) else value for name, value in reading.items()
    }


def condition_meters(rate_hz: int, looks_for: Collection[str] | None = None) -> dict[str, Any]:
    """Return meters by name: of hum, of how the channels relate, and of what is asked for.

    Parameters
    ----------
    rate_hz
        Sample rate of the stream.
    looks_for
        ``clicks``, ``delay_path``, ``dropouts``, ``partials`` (for wow), ``programme`` or
        ``tonal_balance``; by default all.
    """
    measured = _METERS if looks_for is None else {"hum", "channels", *looks_for}
    return {name: meter(rate_hz) for name, meter in _METERS.items() if name in measured}


def condition_from(readings: Mapping[str, Any]) -> Condition:
    """Return the condition from the readings of `condition_meters`, by name."""
    found = dict(readings)
    if partials := found.pop("partials", None):
        found["wow"] = wow_of(partials)
    if clicks := found.pop("clicks", None):
        found |= {"clicks_per_minute": clicks.per_minute, "thump_peaks": clicks.thump_peaks}
    if programme := found.pop("programme", None):
        found["begins_s"] = programme.begins_s
    return Condition(**found)


def condition_of(
    recording: Recording, restoration: Restoration, *, jobs: int | None = None
) -> Condition:
    """Measure the condition of a side before restoration.

    Parameters
    ----------
    recording, restoration
        The side, which is only read, and the steps requested for it.
    jobs
        How many meters run at once; by default as many as there are cores.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    looks_for = {*_OF_EVERY_SIDE, *_asked_for(restoration)}
    meters = condition_meters(recording.rate_hz, looks_for)
    condition = condition_from(read_side(recording, meters, jobs))
    return_freed_memory()
    return condition


def _asked_for(restoration: Restoration) -> set[str]:
    """Return what is looked for because a step needs it."""
    asked = {"delay_path": restoration.azimuth == "follow", "partials": restoration.wow is not None}
    return {name for name, is_asked in asked.items() if is_asked}
