"""Edits as the page sends them, turned into a change of the manifest's text."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from assembler.errors import AssemblerError
from assembler.findings import Loc
from assembler.listen.answers import whole
from assembler.listen.track_list import (
    arranged,
    joined_tracks,
    named_tracks,
    parted_track,
    tracks_from_cuts,
)
from assembler.manifest import ManifestFile
from assembler.manifest.edit_text import Value, edit_text, parse_place

MOST_EDITS = 200


def changed_text(source: ManifestFile, body: Mapping[str, Any]) -> str:
    """Return the manifest's text after an edit.

    Parameters
    ----------
    source
        The manifest.
    body
        What the page sends: ``set``, values by place, of the manifest or with ``side`` of a
        side; or ``move`` {from, to}, ``join`` a track's index, ``part`` {track, at}, ``cuts``
        {side, songs: [[start, end] …], titles}, ``titles`` {side, text}.

    Raises
    ------
    AssemblerError
        The edit can't be made.
    """
    values = body.get("set", {})
    if not isinstance(values, dict):
        raise AssemblerError("`set` must be values by place")
    if "move" in body:
        move = _mapping(body, "move", "{from: …, to: …}")
        return text_with_moved_track(source, whole(move.get("from")), whole(move.get("to")))
    if "join" in body:
        return joined_tracks(source, whole(body["join"]))
    if "part" in body:
        part = _mapping(body, "part", "{track: …, at: …}")
        return parted_track(source, whole(part.get("track")), part.get("at"))
    if "cuts" in body:
        cuts = _mapping(body, "cuts", "{side: …, songs: …}")
        return tracks_from_cuts(source, cuts.get("side"), cuts.get("songs"), cuts.get("titles"))
    if "titles" in body:
        titles = _mapping(body, "titles", "{side: …, text: …}")
        return named_tracks(source, titles.get("side"), titles.get("text"))
    return edited_text(source, values, body.get("side"))


def _mapping(body: Mapping[str, Any], name: str, form: str) -> dict[str, Any]:
    found = body[name]
    if not isinstance(found, dict):
        raise AssemblerError(f"`{name}` must be {form}")
    return found


def edited_text(source: ManifestFile, values: Mapping[str, Any], side: object = None) -> str:
    """Return the manifest's text with new values.

    Parameters
    ----------
    source
        The manifest.
    values
        By place, such as ``tracks[3].gap``: a number, a text, a list, or None to remove. In a list
        of mappings each has numbers and texts.
    side
        Name of the side that the places are below, such as ``restoration.balance``.

    Raises
    ------
    AssemblerError
        A place or a value can't be written.
    """
    if len(values) > MOST_EDITS:
        raise AssemblerError(f"more than {MOST_EDITS} edits at once: send fewer")
    above: Loc = ()
    if side is not None:
        if side not in source.manifest.transfers:
            raise AssemblerError("there is no side of this name")
        above = ("transfers", str(side))
    changes: dict[Loc, Value] = {}
    for place, value in values.items():
        try:
            changes[*above, *parse_place(place)] = _value(value)
        except ValueError as error:
            raise AssemblerError(str(error)) from error
    return edit_text(source.text, changes)


def text_with_moved_track(source: ManifestFile, start: int, to: int) -> str:
    """Return the manifest's text with a track at another place in the order.

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
    order = list(range(len(source.manifest.tracks)))
    if start not in order or to not in order:
        raise AssemblerError("there is no track with this number")
    order.insert(to, order.pop(start))
    return arranged(source, order)


def _value(value: object) -> Value:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, list):
        if value and all(isinstance(item, dict) for item in value):
            return tuple({str(k): str(_value(v)) for k, v in one.items()} for one in value)
        return tuple(str(_value(item)) for item in value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float) and math.isfinite(value):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    raise ValueError("a value must be a number, a text or a list of these")
