"""The fields in which two sections of manifests differ: labels and units come from the model."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from fractions import Fraction
from itertools import zip_longest
from typing import Any, get_args

from pydantic import BaseModel

from assembler.compare.difference import from_to, paths_from_to
from assembler.manifest.codes import isrc_text
from assembler.manifest.details import Publisher, WriterIpi
from assembler.manifest.tone import Band, Compress
from assembler.manifest.tone_text import band_text, compressor_text
from assembler.manifest.values import InRange
from assembler.text import frames_text, shorten, signed_db

_LABELS = {"p_line": "℗ line", "c_line": "© line", "isrc": "ISRC", "iswc": "ISWC",
           "cd_text": "CD-Text", "transfers": "tape side", "text": "sleeve text"}  # fmt: skip
_PATHS = ("front_cover", "back_cover", "pregap_audio", "file", "left", "right")
_FORMATS: Mapping[str, Callable[[Any], str]] = {
    "limit": frames_text,
    "trim": signed_db,
    "mono_below": "{:g} Hz".format,
    "tape_speed": "{:g} cm/s".format,
}
"""Fields whose unit is not in the model."""
_LEFT_OUT = {"on": "all editions", "territories": "the world"}
"""What an empty list means, where it is not none."""


def field_changes(
    old: BaseModel, new: BaseModel, skip: Collection[str] = ()
) -> Iterator[tuple[str, str, str]]:
    """List the fields that differ.

    Parameters
    ----------
    old, new
        Two sections of one kind.
    skip
        Fields to leave out, at every level.

    Yields
    ------
    key, label, text
        Name of the field; its label, before those of the fields inside it; the value before and
        after.
    """
    for key, field in type(new).model_fields.items():
        a, b = getattr(old, key), getattr(new, key)
        if key not in skip and a != b:
            unit = _unit_in(field.metadata) or _unit_of(field.annotation)
            label = _LABELS.get(key, key.replace("_", " "))
            yield from ((key, *change) for change in _changes(key, label, a, b, unit, skip))


def _unit_in(metadata: Iterable[object]) -> str:
    return next((one.unit for one in metadata if isinstance(one, InRange)), "")


def _unit_of(annotation: Any) -> str:
    """Return the unit of a value that may be left out: `X | None` has it inside."""
    own = _unit_in(getattr(annotation, "__metadata__", ()))
    return own or next(filter(None, map(_unit_of, get_args(annotation))), "")


def _changes(
    key: str, label: str, old: Any, new: Any, unit: str, skip: Collection[str]
) -> Iterator[tuple[str, str]]:
    """Return label and text of each change of a field."""
    if isinstance(old, BaseModel) and type(old) is type(new):
        for _, inner, text in field_changes(old, new, skip):
            yield f"{label}, {inner}", text
    elif isinstance(new, dict):
        for name in {**old, **new}:
            place = f"{label} {shorten(name)}"
            if name in old and name in new:
                yield from _changes(key, place, old[name], new[name], unit, skip)
            else:
                yield place, "removed" if name in old else "added"
    elif isinstance(new, tuple) and any(isinstance(item, BaseModel) for item in (*old, *new)):
        removed, added = Counter(old) - Counter(new), Counter(new) - Counter(old)
        for items in zip_longest(removed.elements(), added.elements()):
            yield label, from_to(*(_text(key, item) for item in items))
        if not removed and not added:
            yield label, "in another order"
    elif key in _PATHS:
        yield label, paths_from_to(*([path] if path else [] for path in (old, new)))
    else:
        yield label, from_to(*(_text(key, value, unit) for value in (old, new)))


def _text(key: str, value: Any, unit: str = "") -> str:
    """Write a value; empty if there is none."""
    if value is None:
        return ""
    if key == "isrc" and isinstance(value, str):
        return isrc_text(value)
    if key in _FORMATS:
        return _FORMATS[key](value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Fraction):
        return seconds_text(value)
    if isinstance(value, int | float):
        return f"{value:g} {unit}".strip().replace("-", "−")
    if isinstance(value, Band):
        return band_text(value)
    if isinstance(value, Compress):
        return compressor_text(value.model_dump(exclude_defaults=True))
    if isinstance(value, Publisher | WriterIpi):
        return value.text
    if isinstance(value, BaseModel):
        content = ((name, _text(name, one)) for name, one in value)
        return ", ".join(f"{name} {text}" for name, text in content if text)
    if isinstance(value, tuple):
        return ", ".join(_text(key, one, unit) for one in value) or _LEFT_OUT.get(key, "")
    return str(value)


def seconds_text(time_s: Fraction) -> str:
    """Write a time in seconds, to the millisecond.

    Examples
    --------
    >>> seconds_text(Fraction(5, 2)), seconds_text(Fraction(1, 75))
    ('2.50 s', '0.013 s')
    """
    return f"{float(time_s):.{2 if time_s * 100 % 1 == 0 else 3}f} s"
