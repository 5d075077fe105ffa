"""Suggest the key that was meant by an unknown one, or list the known keys."""

from __future__ import annotations

import difflib
from typing import Any, get_args

from pydantic import BaseModel

from assembler.findings import Loc
from assembler.manifest.model import Manifest, Release, Track
from assembler.manifest.sets import Level, LevelChange
from assembler.manifest.tone import Band, Compress, Dynamic
from assembler.manifest.transfers import Transfer
from assembler.text import shorten

_NEAR = 0.75
"""Similarity of a typing error; below it, another word was meant."""
_MOST_LISTED = 24
"""Keys that a message lists."""
_LEVELS = {
    "loudness": "target", "lufs": "target", "true_peak": "ceiling", "peak": "ceiling",
    "dbtp": "ceiling", "stereo_link": "link", "channel_link": "link", "linked": "link",
}  # fmt: skip
_DYNAMICS = {
    "level": "threshold", "limit": "threshold", "soft_knee": "knee", "parallel": "mix",
    "wet": "mix", "sidechain": "sidechain_high_pass",
}  # fmt: skip
_SYNONYMS: dict[type[BaseModel], dict[str, str]] = {
    Release: {
        "performer": "artist", "band": "artist", "album": "title", "name": "title",
        "year": "release_date", "date": "release_date", "released": "release_date",
        "upc": "barcode", "ean": "barcode", "gtin": "barcode",
        "catalogue": "catalogue_number", "catalog": "catalogue_number",
        "cat_no": "catalogue_number",
        "cover": "front_cover", "artwork": "front_cover", "explicit": "advisory",
        "parental_advisory": "advisory", "original_date": "original_release_date",
        "countries": "territories", "artist_sort": "sort_name",
    },
    Track: {
        "name": "title", "file": "audio", "path": "audio", "source": "audio", "wav": "audio",
        "side": "from", "gain": "trim", "volume": "trim", "eq": "equaliser",
        "equalizer": "equaliser", "compressor": "compress", "compression": "compress",
        "mono": "mono_below", "clipper": "clip", "soft_clip": "clip", "pause": "gap",
        "silence": "gap", "pregap": "gap", "crossfade": "overlap",
        "index": "indexes", "year": "recorded", "date": "recorded", "place": "recorded_at",
        "location": "recorded_at", "studio": "recorded_at", "writers": "composers",
        "writer": "composers", "songwriter": "composers", "songwriters": "composers",
        "author": "composers", "remix": "version", "cd": "disc",
        "explicit": "advisory", "parental_advisory": "advisory", "remixer": "remixers",
        "feat": "featuring", "featured": "featuring", "featured_artists": "featuring",
        "ensemble": "orchestra", "soloist": "soloists", "conductors": "conductor",
        "country": "recording_country", "phonogram": "p_line",
        "original_date": "original_release_date",
    },
    Transfer: {
        "eq": "equaliser", "equalizer": "equaliser", "mono": "mono_below", "speed": "tape_speed",
        "playback": "played", "recorded_with": "recorded",
    },
    Band: {
        "type": "shape", "kind": "shape", "frequency": "hz", "freq": "hz", "gain": "db",
        "width": "q", "channel": "on", "ms": "on", "deess": "dynamic", "de_ess": "dynamic",
    },
    Dynamic: _DYNAMICS,
    Compress: _DYNAMICS,
    Level: _LEVELS,
    LevelChange: _LEVELS,
    Manifest: {"songs": "tracks", "album": "release", "musicians": "credits"},
}  # fmt: skip
"""Other words for a key, by section of the manifest."""
_PEOPLE = frozenset([
    "performer", "performers", "musician", "musicians", "player", "players", "personnel", "credit",
    "credits", "producer", "producers", "engineer", "engineers", "mixed_by", "mastered_by",
    "recorded_by", "instruments",
])  # fmt: skip
"""Keys on a track that belong in the section `credits`."""
_NEW_NAMES = {
    "phonogram": "p_line", "copyright": "c_line", "mend": "restoration", "partials": "harmonics",
    "reduce": "reduction", "invert": "invert_polarity", "swap": "swap_channels",
    "before_first": "pregap_audio", "made_on": "master_date",
}  # fmt: skip
"""Keys of manifests before version 1.0, and their new names."""
NEW_FORMAT_NAMES = {"mp3-v0": "mp3-vbr"}
_UNSUPPORTED = frozenset(["price", "bpm", "key", "mood"])


def unknown_key_message(loc: Loc) -> str:
    """Return what to do about the unknown key at a place."""
    key = shorten(str(loc[-1]))
    word = str(loc[-1]).lower().replace("-", "_")
    model = _model_at(loc[:-1])
    known = _keys(model)
    if _NEW_NAMES.get(word) in known:
        return f"unknown key `{key}`: this key is now `{_NEW_NAMES[word]}`"
    synonym = _SYNONYMS.get(model, {}).get(word)
    if model is Track and word in _PEOPLE:
        number = int(loc[1]) + 1
        line = f"- {{name: …, roles: […], tracks: [{number}]}}"
        return f"unknown key `{key}`: people belong in the section `credits`: {line}"
    near = [synonym] if synonym else difflib.get_close_matches(word, known, n=1, cutoff=_NEAR)
    if near:
        return f"unknown key `{key}`: did you mean `{near[0]}`?"
    if word in _UNSUPPORTED:
        return f"unknown key `{key}`: no deliverable includes it: remove it"
    elsewhere = [name for name, part in _sections() if part is not model and word in _keys(part)]
    if word in Manifest.model_fields:
        return f"unknown key `{key}`: it is a section of its own: write it without indentation"
    if elsewhere:
        places = " or ".join(f"`{name}`" for name in elsewhere)
        return f"unknown key `{key}`: it belongs in {places}"
    more = ", …: `assembler schema` lists all" if len(known) > _MOST_LISTED else ""
    return f"unknown key `{key}`: the keys here are {', '.join(known[:_MOST_LISTED])}{more}"


def _keys(model: type[BaseModel]) -> list[str]:
    return sorted(field.alias or name for name, field in model.model_fields.items())


def _sections() -> list[tuple[str, type[BaseModel]]]:
    found = ((name, _model_in(f.annotation)) for name, f in Manifest.model_fields.items())
    return [(name, model) for name, model in found if model is not None]


def _model_at(loc: Loc) -> type[BaseModel]:
    model: type[BaseModel] = Manifest
    for part in loc:
        if isinstance(part, str) and part in model.model_fields:
            model = _model_in(model.model_fields[part].annotation) or model
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for arg in get_args(annotation) if (m := _model_in(arg))), None)
