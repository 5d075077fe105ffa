"""The SHA-256 of a file (FIPS 180-4)."""

from __future__ import annotations

import hashlib
from pathlib import Path

from assembler.stopping import heed_stop

_BLOCK_BYTES = 1 << 20


def file_stamp(path: Path) -> tuple[int, int]:
    """Give a file's size and time of change in ns: by both, a change is noticed without reading.

    Raises
    ------
    OSError
        It is not there.
    """
    found = path.stat()
    return found.st_size, found.st_mtime_ns


def file_digest(path: Path) -> str:
    """Give a file's SHA-256 in hexadecimal digits.

    Raises
    ------
    OSError
        It can't be read.
    """
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            heed_stop()
            digest.update(block)
    return digest.hexdigest()
