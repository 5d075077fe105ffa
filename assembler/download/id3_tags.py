"""Frames of ID3v2.4.0 (id3.org) for MP3 and WAV: text in UTF-8, values separated by NUL.

TIPL has only the roles of `_INVOLVED`, which readers know: an unknown role can hide the whole list
(TagLib). They are in capitals, the only form that TagLib 1 knows; TagLib 2 accepts any. All
credits, each with the role as written, are in ``TXXX:CREDITS``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from mutagen import id3

from assembler.download.cover import Cover
from assembler.download.tag_table import (
    TABLE,
    Involved,
    Values,
    musicians,
    performers,
)
from assembler.manifest.iso_codes import NO_LANGUAGE, UNDETERMINED
from assembler.metadata import TrackMetadata

_UTF8 = id3.Encoding.UTF8
_INVOLVED = {"ARRANGER": "arrangers", "PRODUCER": "producers", "ENGINEER": "engineers"}
_NUMBERED = {"TRCK": ("track", "tracks"), "TPOS": ("disc", "discs")}


def id3_frames(
    values: Values, metadata: TrackMetadata, covers: list[tuple[int, Cover]]
) -> list[Any]:
    """Return the frames of a track's tag; `covers` are ID3 picture types with their pictures."""
    return [
        *_shared_frames(values, metadata),
        *(_frame(row.frame, texts, values) for row, texts in _own_frames(values)),
        *(_picture(kind, cover) for kind, cover in covers),
    ]


def _shared_frames(values: Values, metadata: TrackMetadata) -> Iterator[Any]:
    for name, (number, of) in _NUMBERED.items():
        text = "/".join((*values[number], *values.get(of, ())))
        yield getattr(id3, name)(encoding=_UTF8, text=[text])
    involved = [(role, n) for role, field in _INVOLVED.items() for n in values.get(field, ())]
    for kind, people in ((id3.TMCL, musicians(performers(metadata))), (id3.TIPL, involved)):
        if people:
            yield kind(encoding=_UTF8, people=[list(pair) for pair in people])


def _own_frames(values: Values) -> Iterator[tuple[Any, list[str]]]:
    shared = (*_NUMBERED, "TMCL", "TIPL", "USLT:lang")
    for row in TABLE:
        if row.field in values and row.frame not in shared:
            yield row, list(values[row.field])


def _frame(name: str, texts: list[str], values: Values) -> Any:
    if name.startswith("TXXX:"):
        return id3.TXXX(encoding=_UTF8, desc=name[5:], text=texts)
    if name in ("COMM", "USLT"):
        languages = values.get("language" if name == "COMM" else "lyrics_language", ())
        language = next((one for one in languages if one != NO_LANGUAGE), UNDETERMINED)
        text: Any = texts if name == "COMM" else texts[0]
        return getattr(id3, name)(encoding=_UTF8, lang=language, desc="", text=text)
    return getattr(id3, name)(encoding=_UTF8, text=texts)


def _picture(kind: int, cover: Cover) -> Any:
    desc = "Front cover" if kind == id3.PictureType.COVER_FRONT else "Back cover"
    return id3.APIC(encoding=_UTF8, mime="image/jpeg", type=kind, desc=desc, data=cover.embedded)


def id3_values(tags: Any) -> Values:
    """Read the table's fields back from a tag."""
    musicians_, involved = (_people(tags.getall(name)) for name in ("TMCL", "TIPL"))
    values: Values = {"performers": tuple(f"{name} ({role})" for role, name in musicians_)}
    for role, field in _INVOLVED.items():
        values[field] = tuple(name for one, name in involved if one == role)
    for name, fields in _NUMBERED.items():
        for frame in tags.getall(name):
            numbers = frame.text[0].split("/")
            values |= {field: (text,) for field, text in zip(fields, numbers, strict=False)}
    values["lyrics_language"] = tuple(frame.lang for frame in tags.getall("USLT"))
    for row in TABLE:
        for frame in tags.getall(row.frame) if row.frame and row.field not in values else ():
            texts = [frame.text] if row.frame == "USLT" else frame.text
            values[row.field] = tuple(str(text) for text in texts)
    return {field: texts for field, texts in values.items() if texts}


def _people(frames: list[Any]) -> Involved:
    return tuple((role, name) for frame in frames for role, name in frame.people)
