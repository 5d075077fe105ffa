"""SHA-256 of files (FIPS 180-4), and files that are checked against their digest while read."""

from __future__ import annotations

import hashlib
import io
import os
import time
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.cancel import check_cancelled

BLOCK_BYTES = 1 << 20
Stamp = tuple[int, int, int]
_FINE_NS, _COARSE_NS = 50_000_000, 2_000_000_000
"""Shortest interval at which two changes of a file get different times: FAT 2 s (Microsoft, FAT
1.03), exFAT 10 ms, other file systems one clock tick (from memory)."""


@dataclass(frozen=True)
class SourceDigest:
    """Digests of a file's content when it was read from end to end.

    Attributes
    ----------
    sha256
        Of the whole file, in hexadecimal digits.
    size
        In bytes.
    block_sums
        CRC-32 (RFC 1952) of each `BLOCK_BYTES`, so that a part can be checked without the whole.
        They detect a file that was replaced, not a forgery.
    """

    sha256: str
    size: int
    block_sums: tuple[int, ...]

    def as_json(self) -> list[Any]:
        """Return the digest as plain data for `from_json`."""
        return [self.sha256, self.size, list(self.block_sums)]

    @classmethod
    def from_json(cls, data: list[Any]) -> SourceDigest:
        """Read the data that `as_json` returned."""
        sha256, size, block_sums = data
        return cls(sha256, size, tuple(block_sums))


def file_stamp(path: Path) -> Stamp:
    """Return a file's size, and the times of change of its content and of its entry in ns.

    They show a change without reading the file; the last one can't be set back.

    Raises
    ------
    OSError
        The file is missing.
    """
    status = path.stat()
    return status.st_size, status.st_mtime_ns, status.st_ctime_ns


def is_settled(stamp: Stamp) -> bool:
    """Return whether any change from now on would change the file's stamp."""
    now_ns = time.time_ns()
    newest_ns = max((time_ns for time_ns in stamp[1:] if time_ns <= now_ns), default=now_ns)
    interval_ns = _FINE_NS if newest_ns % 1_000_000_000 else _COARSE_NS
    return now_ns - newest_ns > interval_ns


def file_digest(path: Path) -> str:
    """Return a file's SHA-256 in hexadecimal digits.

    Raises
    ------
    OSError
        The file can't be read.
    """
    digest = hashlib.sha256()
    for block in _blocks(path):
        digest.update(block)
    return digest.hexdigest()


def source_digest(path: Path) -> SourceDigest:
    """Read a file from end to end and return its digest.

    Raises
    ------
    OSError
        The file can't be read.
    """
    digest, size, sums = hashlib.sha256(), 0, []
    for block in _blocks(path):
        digest.update(block)
        size += len(block)
        sums.append(zlib.crc32(block))
    return SourceDigest(digest.hexdigest(), size, tuple(sums))


def _blocks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            check_cancelled()
            yield block


class CheckedFile(io.RawIOBase):
    """A file that ends where its content no longer matches its digest.

    Parameters
    ----------
    path
        The file.
    digest
        Its digest.

    Attributes
    ----------
    is_changed
        Whether a block differs; all blocks before it match. No exception is raised, since none can
        pass through a library that calls back to read.
    """

    def __init__(self, path: Path, digest: SourceDigest) -> None:
        self.is_changed = False
        self._file = path.open("rb")
        self._digest = digest
        self._position = 0
        self._number = -1
        self._block = memoryview(b"")

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()

    def readable(self) -> bool:
        """Return True: the file can be read."""
        return True

    def seekable(self) -> bool:
        """Return True: the file can be read from any position."""
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        """Set the position."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._digest.size}
        self._position = max(0, base[whence] + offset)
        return self._position

    def tell(self) -> int:
        """Return the position."""
        return self._position

    def readinto(self, buffer: Any, /) -> int:
        """Read the next bytes, at most to the end of a block."""
        number, start = divmod(self._position, BLOCK_BYTES)
        if number != self._number and not self._load(number):
            return 0
        part = self._block[start : start + len(buffer)]
        buffer[: len(part)] = part
        self._position += len(part)
        return len(part)

    def _load(self, number: int) -> bool:
        """Read a block and return whether it matches its sum."""
        if number >= len(self._digest.block_sums) or self.is_changed:
            return False
        self._file.seek(number * BLOCK_BYTES)
        block = self._file.read(BLOCK_BYTES)
        if zlib.crc32(block) != self._digest.block_sums[number]:
            self.is_changed = True
            return False
        self._number, self._block = number, memoryview(block)
        return True
