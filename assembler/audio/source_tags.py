"""Read tags with mutagen, which raises any exception on a damaged file."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

ID3_HEADER_BYTES = 10
MAX_READ_BYTES = 32_000_000
"""The longest part of a header that is read: tags with large pictures are shorter."""


def id3_bytes(head: bytes) -> int:
    """Return the size of an ID3v2 tag from the file's first ten bytes; 0 where there is no tag.

    id3.org, ID3v2.4, section 3.1: four bytes of seven bits; bit 4 of the flags announces a footer.
    """
    if head[:3] != b"ID3" or len(head) < ID3_HEADER_BYTES:
        return 0
    size = sum((byte & 0x7F) << 7 * (3 - n) for n, byte in enumerate(head[6:ID3_HEADER_BYTES]))
    has_footer = bool(head[5] & 0x10)
    return ID3_HEADER_BYTES * (1 + has_footer) + size


class BoundedFile(io.FileIO):
    """A file whose reads are limited, whatever size its header claims."""

    def read(self, size: int | None = -1, /) -> bytes:
        bounded = size is not None and 0 <= size <= MAX_READ_BYTES
        return super().read(size if bounded else MAX_READ_BYTES) or b""


def read_tagged(path: Path, *, easy: bool = False) -> Any:
    """Read the format and the tags of an audio file.

    Parameters
    ----------
    path
        Any file.
    easy
        Use the same tag names in all formats.

    Returns
    -------
    mutagen.FileType or None
        None where the format is unknown, or the file is damaged or can't be read.
    """
    import mutagen

    try:
        with BoundedFile(str(path)) as file:
            return mutagen.File(file, easy=easy)
    except Exception:  # MutagenError, but IndexError, KeyError, struct.error and others too
        return None


def easy_tags(path: Path, names: Sequence[str]) -> dict[str, str]:
    """Read some tags of an audio file, the first value of each on one line.

    Parameters
    ----------
    path
        Any file.
    names
        Tags by mutagen's common names: ``title``, ``isrc``.

    Returns
    -------
    dict
        The tags that are present and not empty.
    """
    tagged = read_tagged(path, easy=True)
    tags: Any = tagged.tags if tagged is not None else None
    texts = {}
    for name in names if tags else ():
        try:
            values = tags.get(name)
        except Exception:  # a tag that the format does not have, or a damaged one
            continue
        text = " ".join(str(values[0]).split()) if isinstance(values, list) and values else ""
        if text:
            texts[name] = text
    return texts
