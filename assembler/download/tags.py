"""Tags: one table from what the manifest says to what each container calls it.

ID3v2.4.0 (id3.org) for MP3 and WAV; Vorbis comments (xiph.org field recommendations, RFC 9639 for
the picture block) for FLAC and Opus; the item list of MP4, with freeform items where it has no own.
Several values of one field stay several values.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mutagen
from mutagen import id3
from mutagen.flac import FLAC, Picture
from mutagen.mp3 import MP3
from mutagen.mp4 import MP4, MP4Cover, MP4FreeForm
from mutagen.oggopus import OggOpus
from mutagen.wave import WAVE

from assembler.download.cover import Cover
from assembler.download.formats import Container
from assembler.errors import AssemblerError
from assembler.manifest.model import Release
from assembler.words import TrackWords, is_performer

FREEFORM = "----:com.apple.iTunes:"
"""The name space that MP4 readers look for freeform items in."""


@dataclass(frozen=True)
class TagRow:
    """What one field is called in each container.

    Attributes
    ----------
    field
        Our name for it.
    frame
        ID3v2.4 frame; ``TXXX:`` with a description where ID3 has none.
    comment
        Vorbis comment.
    item
        MP4 item; empty where numbers go in pairs.
    """

    field: str
    frame: str
    comment: str
    item: str


TABLE = (
    TagRow("title", "TIT2", "TITLE", "©nam"),
    TagRow("artist", "TPE1", "ARTIST", "©ART"),
    TagRow("album_artist", "TPE2", "ALBUMARTIST", "aART"),
    TagRow("album", "TALB", "ALBUM", "©alb"),
    TagRow("track", "TRCK", "TRACKNUMBER", ""),
    TagRow("tracks", "", "TRACKTOTAL", ""),
    TagRow("disc", "TPOS", "DISCNUMBER", ""),
    TagRow("discs", "", "DISCTOTAL", ""),
    TagRow("recorded", "TDRC", "RECORDINGDATE", FREEFORM + "RECORDINGDATE"),
    TagRow("recorded_at", "TXXX:LOCATION", "LOCATION", FREEFORM + "LOCATION"),
    TagRow("released", "TDRL", "DATE", "©day"),
    TagRow("isrc", "TSRC", "ISRC", FREEFORM + "ISRC"),
    TagRow("composers", "TCOM", "COMPOSER", "©wrt"),
    TagRow("lyricists", "TEXT", "LYRICIST", FREEFORM + "LYRICIST"),
    TagRow("arrangers", "TXXX:ARRANGER", "ARRANGER", FREEFORM + "ARRANGER"),
    TagRow("publisher", "TXXX:PUBLISHER", "PUBLISHER", FREEFORM + "PUBLISHER"),
    TagRow("label", "TPUB", "ORGANIZATION", FREEFORM + "LABEL"),
    TagRow("catalogue_number", "TXXX:CATALOGNUMBER", "CATALOGNUMBER", FREEFORM + "CATALOGNUMBER"),
    TagRow("barcode", "TXXX:BARCODE", "BARCODE", FREEFORM + "BARCODE"),
    TagRow("phonogram", "TPRO", "PHONOGRAM", FREEFORM + "PHONOGRAM"),
    TagRow("copyright", "TCOP", "COPYRIGHT", "cprt"),
    TagRow("genre", "TCON", "GENRE", "©gen"),
    TagRow("language", "TLAN", "LANGUAGE", FREEFORM + "LANGUAGE"),
    TagRow("comment", "COMM", "DESCRIPTION", "©cmt"),
    TagRow("lyrics", "USLT", "LYRICS", "©lyr"),
    TagRow("performers", "TMCL", "PERFORMER", FREEFORM + "PERFORMER"),
    TagRow("people", "TIPL", "CREDITS", FREEFORM + "CREDITS"),
)

Values = dict[str, tuple[str, ...]]


def tag_values(release: Release, words: TrackWords) -> Values:
    """Give the values of every field of the table that has any."""
    parts = [(part.role, part.name) for part in words.parts]

    def credited(performers: bool) -> tuple[str, ...]:
        return tuple(f"{name} ({role})" for role, name in parts if is_performer(role) == performers)

    values: dict[str, Iterable[str | None]] = {
        "title": [words.title],
        "artist": [words.artist],
        "album_artist": [release.artist],
        "album": [release.title],
        "track": [str(words.number)],
        "tracks": [str(words.of)],
        "disc": [str(words.disc)],
        "discs": [str(words.of_discs)],
        "recorded": [words.recorded],
        "recorded_at": [words.recorded_at],
        "released": [release.release_date],
        "isrc": [words.isrc],
        "composers": words.composers,
        "lyricists": words.lyricists,
        "arrangers": words.arrangers,
        "publisher": [words.publisher],
        "label": [release.label],
        "catalogue_number": [release.catalogue_number],
        "barcode": [release.barcode],
        "phonogram": [release.phonogram],
        "copyright": [release.copyright],
        "genre": [release.genre],
        "language": [release.language],
        "comment": [words.comment],
        "lyrics": [words.lyrics],
        "performers": credited(performers=True),
        "people": credited(performers=False),
    }
    kept = {field: tuple(v for v in texts if v) for field, texts in values.items()}
    return {field: texts for field, texts in kept.items() if texts}


def write_tags(
    path: Path, container: Container, release: Release, words: TrackWords, cover: Cover | None
) -> None:
    """Tag a finished track file.

    Raises
    ------
    AssemblerError
        The file can't be tagged.
    """
    values = tag_values(release, words)
    try:
        if container == "flac":
            _tag_flac(path, values, cover)
        elif container == "opus":
            _tag_opus(path, values, cover)
        elif container == "mp4":
            _tag_mp4(path, values, cover)
        else:
            _tag_id3(MP3(path) if container == "mp3" else WAVE(path), values, words, cover)
    except mutagen.MutagenError as error:
        raise AssemblerError(f"{path.name}: can't be tagged: {error}") from error


def _comments(values: Values) -> list[tuple[str, str]]:
    return [(row.comment, text) for row in TABLE for text in values.get(row.field, ())]


def _tag_flac(path: Path, values: Values, cover: Cover | None) -> None:
    file = FLAC(path)
    file.delete()
    file.clear_pictures()
    if file.tags is None:
        file.add_tags()
    file.tags.extend(_comments(values))
    if cover:
        file.add_picture(_picture(cover))
    file.save(padding=lambda _: 0)


def _tag_opus(path: Path, values: Values, cover: Cover | None) -> None:
    file = OggOpus(path)
    file.delete()
    file.tags.extend(_comments(values))
    if cover:
        block = base64.b64encode(_picture(cover).write()).decode("ascii")
        file["METADATA_BLOCK_PICTURE"] = [block]
    file.save(padding=lambda _: 0)


def _picture(cover: Cover) -> Picture:
    picture = Picture()
    picture.type = id3.PictureType.COVER_FRONT
    picture.mime = "image/jpeg"
    picture.desc = "Front cover"
    picture.width, picture.height, picture.depth = cover.width, cover.height, 24
    picture.data = cover.embedded
    return picture


def _tag_mp4(path: Path, values: Values, cover: Cover | None) -> None:
    file = MP4(path)
    if file.tags is None:
        file.add_tags()
    file.tags.clear()
    for row in TABLE:
        texts = values.get(row.field)
        if not texts or not row.item:
            continue
        if row.item.startswith(FREEFORM):
            file[row.item] = [MP4FreeForm(text.encode()) for text in texts]
        else:
            file[row.item] = list(texts)
    file["trkn"] = [(int(values["track"][0]), int(values["tracks"][0]))]
    file["disk"] = [(int(values["disc"][0]), int(values["discs"][0]))]
    if cover:
        file["covr"] = [MP4Cover(cover.embedded, MP4Cover.FORMAT_JPEG)]
    file.save(padding=lambda _: 0)


def _tag_id3(file: Any, values: Values, words: TrackWords, cover: Cover | None) -> None:
    if file.tags is None:
        file.add_tags()
    file.tags.clear()
    for row in TABLE:
        texts = values.get(row.field)
        if texts and row.frame:
            file.tags.add(_frame(row, list(texts), values, words))
    if cover:
        file.tags.add(
            id3.APIC(
                encoding=id3.Encoding.UTF8,
                mime="image/jpeg",
                type=id3.PictureType.COVER_FRONT,
                desc="Front cover",
                data=cover.embedded,
            )
        )
    file.save(v2_version=4, padding=lambda _: 0)


def _frame(row: TagRow, texts: list[str], values: Values, words: TrackWords) -> id3.Frame:
    utf8 = id3.Encoding.UTF8
    if row.field in ("track", "disc"):
        of = values["tracks" if row.field == "track" else "discs"][0]
        return getattr(id3, row.frame)(encoding=utf8, text=[f"{texts[0]}/{of}"])
    if row.field in ("performers", "people"):
        performers = row.field == "performers"
        people = [[p.role, p.name] for p in words.parts if is_performer(p.role) == performers]
        return getattr(id3, row.frame)(encoding=utf8, people=people)
    if row.frame in ("COMM", "USLT"):
        text: Any = texts if row.frame == "COMM" else texts[0]
        return getattr(id3, row.frame)(encoding=utf8, lang=_language(values), desc="", text=text)
    if row.frame.startswith("TXXX:"):
        return id3.TXXX(encoding=utf8, desc=row.frame[5:], text=texts)
    return getattr(id3, row.frame)(encoding=utf8, text=texts)


def _language(values: Values) -> str:
    """Give ID3's three-letter language; ``und`` where the manifest has another form."""
    code = values.get("language", ("",))[0].lower()
    return code if len(code) == 3 and code.isascii() else "und"
