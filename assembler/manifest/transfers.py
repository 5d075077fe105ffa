"""Tape sides: the section `transfers`, and the restoration that is asked for.

Nothing is restored unasked. The order is fixed, that of the keys of `Restoration`: what belongs to
one channel comes before what compares both, what is short before what is steady, speed last.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from assembler.manifest.section import Section, SoundFiles
from assembler.manifest.values import (
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
_BESIDE_THE_KIND = ("default", "description", "title")


def _auto_or(least: float, most: float, unit: str) -> BeforeValidator:
    number = InRange(least, most, unit)

    def parse(text: str) -> float | str:
        plain = text.strip().lower()
        return "auto" if plain == "auto" else float(number.parse(plain.removesuffix(unit.lower())))

    return read_as("bad-number", parse)


def _percent(text: str) -> Fraction:
    match = _PERCENT.fullmatch(text.strip().replace("−", "-"))
    if match is None or len(text) > 40:
        raise ValueError(f"`{shorten(text)}` is no change of speed: write percent, as +0.8 %")
    percent = Fraction(match[1])
    if abs(percent) > _MOST_PERCENT:
        raise ValueError(
            f"{shorten(text)} is out of range: from -{_MOST_PERCENT} to {_MOST_PERCENT} %"
        )
    return percent


_NUMBER_OR_AUTO = WithJsonSchema(
    {"anyOf": [{"type": "number"}, {"type": "string", "pattern": "^auto$"}]}
)
Balance = Annotated[Literal["auto"] | float, _auto_or(-24, 24, "dB"), _NUMBER_OR_AUTO]
Azimuth = Annotated[Literal["auto"] | float, _auto_or(-2000, 2000, "µs"), _NUMBER_OR_AUTO]
Percent = Annotated[
    Fraction, read_as("bad-speed", _percent), WithJsonSchema({"type": ["string", "number"]})
]


class Hum(Section):
    """Mains hum to be taken off: a series of steady tones."""

    mains: Annotated[Literal[50, 60], BeforeValidator(whole_if_digits)]
    """Hz of the mains where the hum came in; the exact pitch is measured."""
    harmonics: Annotated[int, InRange(1, 20, whole=True)] = 6
    """How many harmonics to take off."""


class Declick(Section):
    """Clicks to be mended."""

    strength: Annotated[float, InRange(1, 10)] = 5.0
    """1 takes only the loudest, 10 also what hardly stands out."""


class Noise(Section):
    """Tape noise to be lowered, learnt from a stretch where there is nothing else."""

    from_: Seconds = Field(alias="from")
    """Where the stretch of noise alone begins."""
    to: Seconds
    """Where it ends."""
    reduction: Annotated[float, InRange(1, 20, "dB")] = 8.0
    """By how much to lower the noise, dB."""

    @model_validator(mode="after")
    def _long_enough(self) -> Noise:
        if self.to - self.from_ < Fraction(1, 4):
            raise refusal("bad-noise", "from `from` to `to` must be 0.25 s of noise at the least")
        return self


def _leave_out_what_is_off(schema: dict[str, Any]) -> None:
    for value in schema["properties"].values():
        told = {key: value.pop(key) for key in list(value) if key not in _BESIDE_THE_KIND}
        kinds = told.pop("anyOf", None) or [told]
        value["anyOf"] = [*kinds, {"enum": ["off", False]}]


class Restoration(Section):
    """What is to be mended in a side; each may also be `off`."""

    model_config = ConfigDict(frozen=True, extra="forbid", json_schema_extra=_leave_out_what_is_off)

    dc: Literal["remove"] | None = None
    """Remove the DC offset."""
    swap_channels: YesNo = False
    """The channels the other way round."""
    invert_polarity: Literal["left", "right", "both"] | None = None
    """Turn the polarity of a channel."""
    declick: Declick | None = None
    """Repair clicks."""
    azimuth: Azimuth | None = None
    """Microseconds by which the right channel is late, or auto: what is measured."""
    balance: Balance | None = None
    """dB by which the left channel is to be raised, or auto: to where both are alike."""
    hum: Hum | None = None
    """Remove mains hum."""
    noise: Noise | None = None
    """Reduce tape noise."""
    speed: Percent | None = None
    """Percent by which it is to run faster; pitch and tempo move together."""
    cents: Annotated[float, InRange(-1200, 1200, "cents")] | None = None
    """The same in hundredths of a semitone."""
    trim_silence: YesNo = False
    """Let each track begin and end where its sound does."""

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
            raise refusal("bad-speed", "`speed` and `cents` say the same thing: take one out")
        return self

    @property
    def factor(self) -> Fraction:
        """How much faster it is to run: 1 is as it was."""
        if self.cents is not None:
            return Fraction(2 ** (self.cents / 1200)).limit_denominator(10**9)
        return 1 + (self.speed or Fraction(0)) / 100


def _is_off(value: object) -> bool:
    return isinstance(value, str) and value.strip().lower() in _OFF


class Transfer(SoundFiles):
    """A tape side: its files, where it came from, and what is to be mended."""

    tape: Line | None = None
    """What the tape or record is."""
    deck: Line | None = None
    """What it was played on."""
    date: PartialDate | None = None
    """When it was transferred."""
    by: Line | None = None
    """Who transferred it."""
    notes: Paragraphs | None = None
    """Notes on the transfer."""
    restoration: Restoration = Restoration()
    """What to repair."""
