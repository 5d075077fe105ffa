"""EQ, compressor, mono and limiter link of a track, as the fields that the page shows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from assembler.dsp.equaliser import default_q
from assembler.manifest import Level, Track
from assembler.manifest.tone import Band, Compress, Dynamic

_WITHOUT_Q = ("low_shelf", "high_shelf")
_PASSES = ("high_pass", "low_pass")


def tone_json(index: int, track: Track, level: Level) -> list[dict[str, Any]]:
    """Return a track's settings in groups: each band, the compressor, and what is always there.

    Parameters
    ----------
    index
        The track's, in the manifest.
    track
        Its settings.
    level
        The release's, with the limiter's link.

    Returns
    -------
    list of dict
        ``kind``, ``on`` (what a band filters), ``remove`` (the place whose removal removes the
        group, or None) and ``fields``: each has a place, a key, a value and the default.
    """
    place = f"tracks[{index}]"
    bands = track.equaliser
    groups = []
    for n, band in enumerate(bands):
        own = f"{place}.equaliser[{n}]"
        remove = own if len(bands) > 1 else f"{place}.equaliser"
        groups.append(_group(band.shape, remove, list(_band(own, band)), band.on or "stereo"))
    if track.compress:
        own = f"{place}.compress"
        groups.append(_group("compress", own, list(_section(own, track.compress))))
    always = [
        _field(f"{place}.mono_below", "mono_below", track.mono_below),
        _field(f"{place}.clip", "clip", track.clip),
        _field("level.link", "link", level.link),
    ]
    return [*groups, _group("track", None, always)]


def _group(kind: str, remove: str | None, fields: list[Any], on: str = "") -> dict[str, Any]:
    return {"kind": kind, "on": on, "remove": remove, "fields": fields}


def _field(place: str, key: str, value: Any, fallback: Any = None) -> dict[str, Any]:
    return {"place": place, "key": key, "value": value, "fallback": fallback}


def _band(place: str, band: Band) -> Iterator[dict[str, Any]]:
    """Yield the fields that a band's shape has."""
    yield _field(f"{place}.hz", "hz", band.hz)
    if band.shape in _PASSES:
        yield _field(f"{place}.slope", "slope", band.slope, 12)
    elif band.shape != "notch":
        yield _field(f"{place}.db", "db", band.db)
    if not (band.dynamic and band.shape in _WITHOUT_Q):
        yield _field(f"{place}.q", "q", band.q, round(default_q(band.shape), 3))
    if band.dynamic:
        yield from _section(f"{place}.dynamic", band.dynamic)


def _section(place: str, section: Compress | Dynamic) -> Iterator[dict[str, Any]]:
    """Yield a field for each key of a section, with its default."""
    for key, known in type(section).model_fields.items():
        fallback = None if known.is_required() else known.default
        is_set = key in section.model_fields_set
        yield _field(f"{place}.{key}", key, getattr(section, key) if is_set else None, fallback)
