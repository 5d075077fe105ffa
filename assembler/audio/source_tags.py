"""One boundary around mutagen: on a damaged file it raises whatever its parsers run into."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

MOST_AT_ONCE_BYTES = 32_000_000
"""The longest part of a header that is read: tags with large pictures stay below."""


class SparingFile(io.FileIO):
    """A file that is read by pieces of bounded size, whatever size its header claims."""

    def read(self, size: int | None = -1, /) -> bytes:
        bounded = size is not None and 0 <= size <= MOST_AT_ONCE_BYTES
        return super().read(size if bounded else MOST_AT_ONCE_BYTES) or b""


def read_tagged(path: Path, *, easy: bool = False) -> Any:
    """Read a sound file's facts and tags.

    Parameters
    ----------
    path
        Any file.
    easy
        Name tags alike in all formats.

    Returns
    -------
    mutagen.FileType or None
        None where it is of no known kind, damaged, or can't be read.
    """
    import mutagen

    try:
        with SparingFile(str(path)) as file:
            return mutagen.File(file, easy=easy)
    except Exception:  # MutagenError, but IndexError, KeyError, struct.error and others too
        return None


def easy_tags(path: Path, names: Sequence[str]) -> dict[str, str]:
    """Read some of a sound file's tags, each its first value in one line.

    Parameters
    ----------
    path
        Any file.
    names
        Tags as mutagen names them in all formats: ``title``, ``isrc``.

    Returns
    -------
    dict
        Those that are there and not empty.
    """
    easy = read_tagged(path, easy=True)
    tags: Any = easy.tags if easy is not None else None
    found = {}
    for name in names if tags else ():
        try:
            values = tags.get(name)
        except Exception:  # a tag that its format has no room for, or a damaged one
            continue
        text = " ".join(str(values[0]).split()) if isinstance(values, list) and values else ""
        if text:
            found[name] = text
    return found
