"""Levels, EQ and dynamics as the fields that the page shows, in groups.

Each group has ``kind``, ``on`` (what a band filters), ``remove`` (the place whose removal removes
the group, or None) and ``fields``; each field has a place, a key, a value and the default.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from assembler.dsp.equaliser import default_q
from assembler.manifest import Manifest, Track
from assembler.manifest.sets import LevelChange
from assembler.manifest.tone import Band, Compress, Dynamic
from assembler.manifest.transfers import Transfer

_WITHOUT_Q = ("low_shelf", "high_shelf")
_PASSES = ("high_pass", "low_pass")
_DYNAMIC = ("bell", *_WITHOUT_Q)
_OWN_LEVEL = ("match", "target", "ceiling", "link")


def tone_json(index: int, track: Track) -> list[dict[str, Any]]:
    """Return a track's settings: each band, the compressor, and what is always there.

    Parameters
    ----------
    index
        The track's, in the manifest.
    track
        Its settings.
    """
    place = f"tracks[{index}]"
    groups = _bands(f"{place}.equaliser", track.equaliser)
    if track.compress:
        own = f"{place}.compress"
        groups.append(_group("compress", own, list(_section(own, track.compress))))
    like = track.tone or (track.tone_like and str(track.tone_like))
    always = [
        _field(f"{place}.mono_below", "mono_below", track.mono_below),
        _field(f"{place}.clip", "clip", track.clip),
        _field(f"{place}.tone_like", "tone_like", like),
    ]
    return [*groups, _group("track", None, always)]


def side_tone_json(transfer: Transfer) -> list[dict[str, Any]]:
    """Return a side's EQ: each band, and mono below; places are below the side."""
    always = [_field("mono_below", "mono_below", transfer.mono_below)]
    return [*_bands("equaliser", transfer.equaliser), _group("side", None, always)]


def levels_json(manifest: Manifest) -> list[dict[str, Any]]:
    """Return the release's level, and those of the disc and of each download set."""
    level = manifest.level
    fields = [_field(f"level.{key}", key, getattr(level, key)) for key in _OWN_LEVEL]
    groups = [_group("release", None, fields)]
    owns: list[tuple[str, str, LevelChange | None]] = []
    if manifest.disc.make:
        owns.append(("disc", "disc.level", manifest.disc.level))
    for n, one in enumerate(manifest.download):
        place = f"download[{n}].level" if one.name else "download.level"
        owns.append((one.edition, place, one.level))
    for kind, place, own in owns:
        fields = [
            _field(f"{place}.{key}", key, getattr(own, key, None), getattr(level, key))
            for key in _OWN_LEVEL
        ]
        groups.append(_group(kind, place if own else None, fields))
    return groups


def _bands(place: str, bands: Sequence[Band]) -> list[dict[str, Any]]:
    groups = []
    for n, band in enumerate(bands):
        own = f"{place}[{n}]"
        remove = own if len(bands) > 1 else place
        groups.append(_group(band.shape, remove, list(_band(own, band)), band.on or "stereo"))
    return groups


def _group(kind: str, remove: str | None, fields: list[Any], on: str = "") -> dict[str, Any]:
    return {"kind": kind, "on": on, "remove": remove, "fields": fields}


def _field(place: str, key: str, value: Any, fallback: Any = None) -> dict[str, Any]:
    return {"place": place, "key": key, "value": value, "fallback": fallback}


def _band(place: str, band: Band) -> Iterator[dict[str, Any]]:
    """Yield the fields that a band's shape has."""
    yield _field(f"{place}.on", "on", band.on, "stereo")
    yield _field(f"{place}.hz", "hz", band.hz)
    if band.shape in _PASSES:
        yield _field(f"{place}.slope", "slope", band.slope, 12)
    elif band.shape != "notch":
        yield _field(f"{place}.db", "db", band.db)
    if not (band.dynamic and band.shape in _WITHOUT_Q):
        yield _field(f"{place}.q", "q", band.q, round(default_q(band.shape), 3))
    if band.dynamic:
        yield from _section(f"{place}.dynamic", band.dynamic)
    elif band.shape in _DYNAMIC and (band.db or 0.0) < 0:
        yield _field(f"{place}.dynamic.threshold", "dynamic", None)


def _section(place: str, section: Compress | Dynamic) -> Iterator[dict[str, Any]]:
    """Yield a field for each key of a section, with its default."""
    for key, known in type(section).model_fields.items():
        fallback = None if known.is_required() else known.default
        is_set = key in section.model_fields_set
        yield _field(f"{place}.{key}", key, getattr(section, key) if is_set else None, fallback)
