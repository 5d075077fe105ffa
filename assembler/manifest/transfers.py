"""Tape sides: the section `transfers`, and the restoration of each.

Nothing is restored that the manifest does not ask for. The order of the steps is fixed, that of the
keys of `Restoration`: steps on one channel before those that compare both, short faults before
steady ones, speed last. Playback equalisation comes after declicking, a side's EQ before speed.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import (
    BeforeValidator,
    ConfigDict,
    Field,
    SerializerFunctionWrapHandler,
    WithJsonSchema,
    model_serializer,
    model_validator,
)

from assembler.manifest.playback import TAPE_SPEEDS, Playback, Standard, mismatch, tape_speed_of
from assembler.manifest.section import Section, SoundFiles
from assembler.manifest.tone import Band, MonoHertz
from assembler.manifest.values import (
    AtMost,
    InRange,
    Line,
    Paragraphs,
    PartialDate,
    Seconds,
    YesNo,
    read_as,
    refusal,
    whole_if_digits,
)
from assembler.text import shorten

_OFF = ("off", "no", "false")
_PERCENT = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*%?", re.ASCII)
_MOST_PERCENT = 50
_NOT_OF_THE_TYPE = ("default", "description", "title")
_PLAYBACK = ("played", "recorded", "tape_speed")


def _number_or(*names: str, least: float, most: float, unit: str) -> BeforeValidator:
    number = InRange(least, most, unit)

    def parse(text: str) -> float | str:
        plain = text.strip().lower()
        return plain if plain in names else float(number.parse(plain.removesuffix(unit.lower())))

    return read_as("bad-number", parse)


def _number_or_schema(*names: str) -> WithJsonSchema:
    return WithJsonSchema({"anyOf": [{"type": "number"}, {"enum": [*names]}]})


def _percent(text: str) -> Fraction:
    match = _PERCENT.fullmatch(text.strip().replace("−", "-"))
    if match is None or len(text) > 40:
        raise ValueError(f"`{shorten(text)}` is not a speed change: write percent, as in +0.8 %")
    percent = Fraction(match[1])
    if abs(percent) > _MOST_PERCENT:
        raise ValueError(
            f"{shorten(text)} is out of range: from -{_MOST_PERCENT} to {_MOST_PERCENT} %"
        )
    return percent


Balance = Annotated[
    Literal["auto"] | float,
    _number_or("auto", least=-24, most=24, unit="dB"),
    _number_or_schema("auto"),
]
Azimuth = Annotated[
    Literal["auto", "follow"] | float,
    _number_or("auto", "follow", least=-2000, most=2000, unit="µs"),
    _number_or_schema("auto", "follow"),
]
Percent = Annotated[
    Fraction, read_as("bad-speed", _percent), WithJsonSchema({"type": ["string", "number"]})
]
TapeSpeed = Annotated[
    float, read_as("bad-choice", tape_speed_of), WithJsonSchema({"enum": list(TAPE_SPEEDS)})
]


class Hum(Section):
    """Removal of mains hum: a series of steady tones."""

    mains: Annotated[Literal[50, 60], BeforeValidator(whole_if_digits)]
    """Nominal mains frequency of the hum, Hz; the exact pitch is measured."""
    harmonics: Annotated[int, InRange(1, 20, whole=True)] = 6
    """How many harmonics to remove."""


class Declick(Section):
    """Repair of clicks."""

    strength: Annotated[float, InRange(1, 10)] = 5.0
    """From 1, only the loudest clicks, to 10, also barely audible ones."""


class Noise(Section):
    """Reduction of tape noise, from a noise print: a passage without programme."""

    from_: Seconds = Field(alias="from")
    """Start of the noise print."""
    to: Seconds
    """End of the noise print."""
    reduction: Annotated[float, InRange(1, 20, "dB")] = 8.0
    """Noise reduction, dB."""

    @model_validator(mode="after")
    def _long_enough(self) -> Noise:
        if self.to - self.from_ < Fraction(1, 4):
            raise refusal("bad-noise", "`from` to `to` must be at least 0.25 s of noise")
        return self


def _allow_off(schema: dict[str, Any]) -> None:
    for value in schema["properties"].values():
        type_ = {key: value.pop(key) for key in list(value) if key not in _NOT_OF_THE_TYPE}
        types = type_.pop("anyOf", None) or [type_]
        value["anyOf"] = [*types, {"enum": ["off", False]}]


class Restoration(Section):
    """The restoration of a side; each step may also be `off`."""

    model_config = ConfigDict(frozen=True, extra="forbid", json_schema_extra=_allow_off)

    dc: Literal["remove"] | None = None
    """Remove the DC offset."""
    swap_channels: YesNo = False
    """Swap left and right."""
    invert_polarity: Literal["left", "right", "both"] | None = None
    """Invert the polarity of a channel or of both."""
    declick: Declick | None = None
    """Repair clicks."""
    dropouts: Literal["repair"] | None = None
    """Repair dropouts."""
    azimuth: Azimuth | None = None
    """Delay of the right channel in microseconds; or auto: as measured, one value for the side; or
    follow: as measured, each moment by the delay there."""
    balance: Balance | None = None
    """Gain of the left channel in dB, or auto: until both channels are equally loud."""
    hum: Hum | None = None
    """Remove mains hum."""
    noise: Noise | None = None
    """Reduce tape noise."""
    wow: Literal["auto"] | None = None
    """Correct cyclic wow, as measured on the music; left alone where the music does not show it
    exactly enough."""
    speed: Percent | None = None
    """Speed correction in percent, positive for faster; pitch and tempo change together."""
    cents: Annotated[float, InRange(-1200, 1200, "cents")] | None = None
    """Speed correction in cents, in place of `speed`."""
    trim_silence: YesNo = False
    """Trim each track to where its sound begins and ends."""

    @model_serializer(mode="wrap")
    def _named_where_set(self, serialized: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Leave out `wow` where it is not set: cache keys and digests of approvals stay."""
        values: dict[str, Any] = serialized(self)
        return values if self.wow else {k: v for k, v in values.items() if k != "wow"}

    @model_validator(mode="before")
    @classmethod
    def _without_off(cls, value: object) -> object:
        if isinstance(value, str) and value.strip().lower() in _OFF:
            return {}
        if isinstance(value, dict):
            return {k: v for k, v in value.items() if not _is_off(v)}
        return value

    @model_validator(mode="after")
    def _one_speed(self) -> Restoration:
        if self.speed is not None and self.cents is not None:
            raise refusal("bad-speed", "`speed` and `cents` both set the speed: keep one")
        return self

    @property
    def factor(self) -> Fraction:
        """The speed ratio: 1 is unchanged, above 1 faster."""
        if self.cents is not None:
            return Fraction(2 ** (self.cents / 1200)).limit_denominator(10**9)
        return 1 + (self.speed or Fraction(0)) / 100


def _is_off(value: object) -> bool:
    return isinstance(value, str) and value.strip().lower() in _OFF


class Transfer(SoundFiles):
    """A tape side: its files, its origin and its restoration."""

    tape: Line | None = None
    """The tape or record."""
    deck: Line | None = None
    """The machine that played it."""
    date: PartialDate | None = None
    """Date of the transfer."""
    by: Line | None = None
    """Who transferred it."""
    notes: Paragraphs | None = None
    """Notes on the transfer."""
    played: Standard | None = None
    """Playback standard of the deck in the transfer."""
    recorded: Standard | None = None
    """Standard by which the tape was recorded; the difference to `played` is corrected."""
    tape_speed: TapeSpeed | None = None
    """Tape speed in cm/s, for `played` and `recorded`."""
    restoration: Restoration = Restoration()
    """The restoration of the side."""
    equaliser: Annotated[tuple[Band, ...], BeforeValidator(AtMost(100, "bands").validate)] = ()
    """EQ bands of the whole side, before those of its tracks."""
    mono_below: MonoHertz | None = None
    """Mono below this frequency on the whole side, after its EQ bands, Hz."""

    @model_validator(mode="after")
    def _whole_playback(self) -> Transfer:
        given = (self.played, self.recorded, self.tape_speed)
        missing = [key for key in _PLAYBACK if getattr(self, key) is None]
        if missing and any(given):
            keys = " and ".join(f"`{key}`" for key in missing)
            message = f"playback equalisation needs {keys} too: add {keys}, or remove the others"
            raise refusal("bad-playback", message)
        asked = self._asked_playback
        if asked and (why := mismatch(asked)):
            raise refusal("bad-playback", why)
        return self

    @property
    def _asked_playback(self) -> Playback | None:
        if self.played is None or self.recorded is None or self.tape_speed is None:
            return None
        return Playback(self.played, self.recorded, self.tape_speed)

    @property
    def playback(self) -> Playback | None:
        """The standards whose difference is corrected; None where there is none."""
        asked = self._asked_playback
        return asked if asked and len(set(asked.constants)) > 1 else None

    @property
    def tone(self) -> dict[str, Any]:
        """What changes the sound beside the restoration, as plain data; empty without any."""
        keys = {"equaliser", "mono_below"}
        asked = self.model_dump(mode="json", include=keys, exclude_defaults=True)
        return {"playback": self.playback._asdict(), **asked} if self.playback else asked

    @property
    def is_unchanged(self) -> bool:
        """Whether the side's sound stays as it is."""
        return self.restoration == Restoration() and not self.tone
