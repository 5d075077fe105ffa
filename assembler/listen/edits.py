"""Edits as the page sends them, turned into a change of the manifest's text."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from assembler.errors import AssemblerError
from assembler.findings import Loc
from assembler.manifest import Manifest, ManifestFile
from assembler.manifest.edit_text import TRACK_KEYS, Value, edit_text, move_item, parse_place

MOST_EDITS = 200
_ORDERS = {1: list(Manifest.model_fields), 3: TRACK_KEYS}


def edited_text(source: ManifestFile, values: Mapping[str, Any]) -> str:
    """Return the manifest's text with new values.

    Parameters
    ----------
    source
        The manifest.
    values
        By place, such as ``tracks[3].gap``: a number, a text, a list of these, or None to remove.

    Raises
    ------
    AssemblerError
        A place or a value can't be written.
    """
    if len(values) > MOST_EDITS:
        raise AssemblerError(f"more than {MOST_EDITS} edits at once: send fewer")
    changes: dict[Loc, Value] = {}
    for place, value in values.items():
        try:
            changes[parse_place(place)] = _value(value)
        except ValueError as error:
            raise AssemblerError(str(error)) from error
    return edit_text(source.text, changes, _ORDERS)


def text_with_moved_track(source: ManifestFile, start: int, to: int) -> str:
    """Return the manifest's text with a track at another place in the order.

    Credits and other keys that name tracks by their numbers follow.

    Parameters
    ----------
    source
        The manifest.
    start, to
        Index of the track before and after, from 0.

    Raises
    ------
    AssemblerError
        There is no such track, or it can't be moved.
    """
    manifest = source.manifest
    order = list(range(len(manifest.tracks)))
    if start not in order or to not in order:
        raise AssemblerError("there is no track with this number")
    order.insert(to, order.pop(start))
    numbers = {old + 1: new + 1 for new, old in enumerate(order)}
    changes: dict[Loc, Value] = {}
    for i, credit in enumerate(manifest.credits):
        new = [numbers.get(number, number) for number in credit.tracks]
        if new != list(credit.tracks):
            changes["credits", i, "tracks"] = tuple(map(str, sorted(new)))
    for new_index, old in enumerate(order):
        original = getattr(manifest.tracks[old], "version_of", None)
        if isinstance(original, int) and numbers.get(original, original) != original:
            changes["tracks", new_index, "version_of"] = str(numbers[original])
    text = move_item(source.text, ("tracks",), start, to)
    return edit_text(text, changes, _ORDERS) if changes else text


def _value(value: object) -> Value:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, list):
        return tuple(str(_value(item)) for item in value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float) and math.isfinite(value):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    raise ValueError("a value must be a number, a text or a list of these")
