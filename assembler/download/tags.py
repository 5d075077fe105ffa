"""Write a finished track file's tags, and read them back."""

from __future__ import annotations

import base64
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mutagen
from mutagen.flac import FLAC, Picture
from mutagen.id3 import PictureType
from mutagen.mp3 import MP3
from mutagen.mp4 import MP4, MP4Cover, MP4FreeForm
from mutagen.oggopus import OggOpus
from mutagen.oggvorbis import OggVorbis
from mutagen.wave import WAVE

from assembler.download.cover import Cover
from assembler.download.formats import Container
from assembler.download.gapless import GAPLESS_ITEM, declared_delay, gapless_item
from assembler.download.id3_tags import id3_frames, id3_values
from assembler.download.playing_levels import PlayingLevels
from assembler.download.tag_table import FREEFORM, TABLE, TagRow, Values, tag_values
from assembler.errors import AssemblerError
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata

__all__ = ["TABLE", "TagRow", "read_tags", "write_tags"]

_KINDS: dict[Container, Any] = {
    "flac": FLAC,
    "wav": WAVE,
    "mp3": MP3,
    "mp4": MP4,
    "opus": OggOpus,
    "ogg": OggVorbis,
}
_NUMBERS: dict[str, Callable[[int], Any]] = {
    "cpil": bool, "rtng": lambda number: [number], "©mvi": lambda number: [number],
}  # fmt: skip
"""Items of MP4 that hold a number, and its form in mutagen."""
_PAIRS = (("trkn", "track", "tracks"), ("disk", "disc", "discs"))
Covers = list[tuple[int, Cover]]


def write_tags(
    path: Path,
    container: Container,
    release: Release,
    metadata: TrackMetadata,
    cover: Cover | None,
    *,
    back_cover: Cover | None = None,
    levels: PlayingLevels | None = None,
) -> None:
    """Tag a finished track file; without playing levels it has no gain tags.

    Raises
    ------
    AssemblerError
        The file can't be tagged.
    """
    values = tag_values(release, metadata, container, levels)
    pictures = ((PictureType.COVER_FRONT, cover), (PictureType.COVER_BACK, back_cover))
    covers = [(int(kind), picture) for kind, picture in pictures if picture]
    try:
        file = _KINDS[container](path)
        if file.tags is None:
            file.add_tags()
        gapless = gapless_item(declared_delay(path, container)) if container == "mp4" else ""
        file.tags.clear()
        if container in ("mp3", "wav"):
            for frame in id3_frames(values, metadata, covers):
                file.tags.add(frame)
            file.save(v2_version=4, padding=_id3_padding)
        elif container == "mp4":
            _put_items(file, values, covers, gapless)
            file.save(padding=_no_padding)
        else:
            _put_comments(file, values, covers)
            file.save(padding=_no_padding)
    except mutagen.MutagenError as error:
        raise AssemblerError(f"{path.name}: the file can't be tagged: {error}") from error


def _no_padding(_info: object) -> int:
    return 0


def _id3_padding(_info: object) -> int:
    """Return the size of a frame header: some readers expect one more at the end."""
    return 10


def _put_comments(file: Any, values: Values, covers: Covers) -> None:
    file.tags.extend((row.comment, text) for row in TABLE for text in values.get(row.field, ()))
    pictures = [_picture(kind, cover) for kind, cover in covers]
    if isinstance(file, FLAC):
        file.clear_pictures()
        for picture in pictures:
            file.add_picture(picture)
    elif pictures:  # Ogg has no picture block: base64 of the same bytes (xiph.org)
        blocks = [base64.b64encode(picture.write()).decode("ascii") for picture in pictures]
        file["METADATA_BLOCK_PICTURE"] = blocks


def _picture(kind: int, cover: Cover) -> Picture:
    picture = Picture()
    picture.type = kind
    picture.mime = "image/jpeg"
    picture.desc = "Front cover" if kind == PictureType.COVER_FRONT else "Back cover"
    picture.width, picture.height, picture.depth = cover.width, cover.height, 24
    picture.data = cover.embedded
    return picture


def _put_items(file: Any, values: Values, covers: Covers, gapless: str) -> None:
    for row in TABLE:
        texts = values.get(row.field, ())
        if row.item.startswith(FREEFORM) and texts:
            file[row.item] = [MP4FreeForm(text.encode()) for text in texts]
        elif row.item not in ("", "trkn", "disk") and texts:
            read = _NUMBERS.get(row.item)
            file[row.item] = read(int(texts[0])) if read else list(texts)
    for item, number, of in _PAIRS:
        file[item] = [(int(values[number][0]), int(values[of][0]))]
    if covers:
        file["covr"] = [MP4Cover(c.embedded, MP4Cover.FORMAT_JPEG) for _, c in covers]
    if gapless:
        file[GAPLESS_ITEM] = [MP4FreeForm(gapless.encode())]


def read_tags(path: Path, container: Container) -> Values:
    """Read the table's fields back from a file.

    Returns
    -------
    dict
        The result of `tag_values` for which the file was tagged.

    Raises
    ------
    AssemblerError
        The file can't be read.
    """
    try:
        tags = _KINDS[container](path).tags
    except mutagen.MutagenError as error:
        raise AssemblerError(f"{path.name}: the tags can't be read: {error}") from error
    if not tags:
        return {}
    if container in ("mp3", "wav"):
        return id3_values(tags)
    if container == "mp4":
        return _item_values(tags)
    values = {row.field: tuple(tags.get(row.comment, ())) for row in TABLE if row.comment}
    return {field: texts for field, texts in values.items() if texts}


def read_gapless_item(path: Path) -> str:
    """Return the text of an MP4 file's gapless item; empty where it has none.

    Raises
    ------
    AssemblerError
        The file can't be read.
    """
    try:
        items = (MP4(path).tags or {}).get(GAPLESS_ITEM, [b""])
    except mutagen.MutagenError as error:
        raise AssemblerError(f"{path.name}: the tags can't be read: {error}") from error
    return bytes(items[0]).decode("utf-8", "replace")


def _item_values(tags: Any) -> Values:
    pairs = {item: tags.get(item, [()])[0] for item, _, _ in _PAIRS}
    values: Values = {
        field: (str(number),)
        for item, *fields in _PAIRS
        for field, number in zip(fields, pairs[item], strict=False)
    }
    for row in TABLE:
        found = tags.get(row.item, ()) if row.item not in ("", *pairs) else ()
        texts = [int(found)] if isinstance(found, bool) else found
        if texts:
            values[row.field] = tuple(t.decode() if isinstance(t, bytes) else str(t) for t in texts)
    return values
