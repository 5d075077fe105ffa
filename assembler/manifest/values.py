"""The types of value that a manifest field can have, each read from text.

YAML delivers every scalar as text and the field decides its type, so a track called ``1999`` keeps
its title and a barcode keeps its leading zero.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Annotated, Any, TypeVar

from pydantic import BeforeValidator, GetCoreSchemaHandler, GetJsonSchemaHandler, WithJsonSchema
from pydantic_core import PydanticCustomError, core_schema

from assembler.manifest.codes import (
    parse_barcode,
    parse_ipi,
    parse_isrc,
    parse_isrc_prefix,
    parse_iswc,
)
from assembler.manifest.disc_alphabet import MOST_CHARACTERS, UNQUOTABLE, is_latin_1
from assembler.manifest.iso_codes import parse_country, parse_language
from assembler.manifest.times import parse_frames, parse_seconds
from assembler.text import shorten

T = TypeVar("T")
MAX_LINE = 2000
"""Characters of a title, a name or a path."""
MAX_PARAGRAPHS = 200_000
"""Characters of notes or lyrics: some 30,000 words."""
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)", re.ASCII)
_DATE = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?", re.ASCII)


def refusal(code: str, message: str) -> PydanticCustomError:
    """Return a validation error whose message is used as it is, braces included."""
    return PydanticCustomError(code, "{text}", {"text": message})


def _scalar(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str | int | float | Fraction):
        return str(value)
    raise refusal("wrong-kind", "one value is expected here, not a list or a mapping")


def read_as(code: str, parse: Callable[[str], T]) -> BeforeValidator:
    """Read a value from its text; a `ValueError` becomes a finding of this code."""

    def validate(value: object) -> T:
        text = _scalar(value)
        try:
            return parse(text)
        except ValueError as error:
            raise refusal(code, str(error)) from error

    return BeforeValidator(validate)


def _one_line(text: str) -> str:
    text = text.strip()
    if not text:
        raise ValueError("the text is empty: write it, or leave the key out")
    _refuse_length(text, MAX_LINE)
    _refuse_controls(text, allowed="")
    return text


def _paragraphs(text: str) -> str:
    _refuse_length(text, MAX_PARAGRAPHS)
    _refuse_controls(text, allowed="\n\t")
    return text.strip("\n")


def _refuse_length(text: str, most: int) -> None:
    if len(text) > most:
        message = f"`{shorten(text)}` has {len(text)} characters: at most {most} are allowed"
        raise ValueError(message)


def _refuse_controls(text: str, allowed: str) -> None:
    for c in text:
        if c in allowed:
            continue
        if c in "\n\r\u2028\u2029":
            raise ValueError(f"`{shorten(text)}` has a line break: write it on one line")
        if unicodedata.category(c) in ("Cc", "Cs") or ord(c) & 0xFFFE == 0xFFFE:
            raise ValueError(
                f"`{shorten(text)}` has the control character U+{ord(c):04X}: remove it"
            )


def _disc_line(text: str) -> str:
    line = _one_line(text)
    if invalid := [c for c in line if not is_latin_1(c) or c in UNQUOTABLE]:
        raise ValueError(
            f"`{shorten(line)}` has `{invalid[0]}`, which CD-Text can't encode: replace it"
        )
    if len(line) > MOST_CHARACTERS:
        raise ValueError(
            f"`{shorten(line)}` has {len(line)} characters: a text on a disc can have at most "
            f"{MOST_CHARACTERS}"
        )
    return line


def _gap(text: str) -> Fraction:
    if re.match(r"\s*[-−]", text):
        raise ValueError(
            f"`{shorten(text)}` is not a gap: silence lasts 0 s or more; for a crossfade with the "
            "track before write `overlap: …`"
        )
    return parse_seconds(text)


def _decimal(text: str) -> Fraction:
    plain = text.strip().replace("−", "-")
    if not _NUMBER.fullmatch(plain) or len(plain) > 40:
        raise ValueError(f"`{shorten(text)}` is not a number")
    return Fraction(plain)


@dataclass(frozen=True)
class InRange:
    """A number with a unit and a range, ends included; whole where `whole` is set."""

    least: float
    most: float
    unit: str = ""
    whole: bool = False

    def parse(self, text: str) -> float | int:
        """Read the number."""
        number = _decimal(text)
        if self.whole and number.denominator != 1:
            raise ValueError(f"`{shorten(text)}` is not a whole number")
        if not self.least <= number <= self.most:
            unit = f" {self.unit}" if self.unit else ""
            raise ValueError(
                f"{shorten(text)}{unit} is out of range: from {self.least:g} to {self.most:g}{unit}"
            )
        return int(number) if self.whole else float(number)

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        reader = read_as("bad-number", self.parse)
        return core_schema.no_info_before_validator_function(reader.func, handler(source))  # type: ignore[arg-type]

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        kind = "integer" if self.whole else "number"
        return {"type": kind, "minimum": self.least, "maximum": self.most}


def _partial_date(text: str) -> str:
    text = text.strip()
    match = _DATE.fullmatch(text)
    try:
        if match is None:
            raise ValueError
        year, month, day = (int(part) if part else 1 for part in match.groups())
        date(year, month, day)
    except ValueError:
        raise ValueError(
            f"`{shorten(text)}` is not a date: write a year (1991), a year and month (1991-05) "
            "or a date (1991-05-23)"
        ) from None
    return text


def _yes_or_no(text: str) -> bool:
    answers = {"true": True, "yes": True, "false": False, "no": False}
    try:
        return answers[text.strip().lower()]
    except KeyError:
        raise ValueError(f"`{shorten(text)}` is neither true nor false") from None


def listed(value: object) -> object:
    """Return a list; a single value becomes a list of one."""
    if isinstance(value, str | int | float):
        return (value,)
    return value


def at_least_one(value: object) -> object:
    """Refuse an empty list."""
    if value == []:
        raise refusal("missing-key", "the list is empty: name at least one")
    return value


@dataclass(frozen=True)
class AtMost:
    """A limit on the number of items of a list, checked before any of them is read."""

    count: int
    what: str

    def validate(self, value: object) -> object:
        """Return the list if it is not too long."""
        if isinstance(value, list) and len(value) > self.count:
            message = f"{len(value)} {self.what}: at most {self.count} are allowed"
            raise refusal("list-too-long", message)
        return value


def whole_if_digits(value: object) -> object:
    """Return digits as a whole number, for a choice between numbers."""
    return int(value) if isinstance(value, str) and re.fullmatch(r"\d{1,9}", value) else value


def _schema(**fields: Any) -> WithJsonSchema:
    return WithJsonSchema(fields)


_TIME_PATTERN = r"^((\d+:)?\d+:)?(\d+(\.\d+)?|\.\d+)$"
_NUMBER_OR_TEXT = ["number", "string"]

Line = Annotated[str, read_as("bad-text", _one_line), _schema(type=["string", "number", "boolean"])]
Paragraphs = Annotated[str, read_as("bad-text", _paragraphs), _schema(type=_NUMBER_OR_TEXT)]
Seconds = Annotated[
    Fraction,
    read_as("bad-time", parse_seconds),
    _schema(type=_NUMBER_OR_TEXT, pattern=_TIME_PATTERN),
]
GapTime = Annotated[
    Fraction,
    read_as("bad-time", _gap),
    _schema(type=_NUMBER_OR_TEXT, pattern=_TIME_PATTERN),
]
DiscLine = Annotated[
    str, read_as("bad-disc-text", _disc_line), _schema(type=["string", "number", "boolean"])
]
DiscTime = Annotated[
    int,
    read_as("bad-time", parse_frames),
    _schema(type="string", pattern=r"^\d+:[0-5]\d(:\d\d)?$"),
]
Isrc = Annotated[str, read_as("bad-isrc", parse_isrc), _schema(type="string")]
IsrcPrefix = Annotated[str, read_as("bad-isrc", parse_isrc_prefix), _schema(type=_NUMBER_OR_TEXT)]
Iswc = Annotated[str, read_as("bad-iswc", parse_iswc), _schema(type="string")]
Ipi = Annotated[str, read_as("bad-ipi", parse_ipi), _schema(type=["string", "integer"])]
Language = Annotated[str, read_as("bad-language", parse_language), _schema(type="string")]
Country = Annotated[str, read_as("bad-country", parse_country), _schema(type="string")]
Barcode = Annotated[str, read_as("bad-barcode", parse_barcode), _schema(type="string")]
PartialDate = Annotated[
    str,
    read_as("bad-date", _partial_date),
    _schema(type=["string", "integer"], pattern=r"^\d{4}(-\d\d(-\d\d)?)?$"),
]
YesNo = Annotated[bool, read_as("bad-choice", _yes_or_no), _schema(type="boolean")]
