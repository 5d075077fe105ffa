"""The SHA-256 of a file (FIPS 180-4), and files that are checked against theirs while read."""

from __future__ import annotations

import hashlib
import io
import os
import time
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.cancel import check_cancelled

BLOCK_BYTES = 1 << 20
Stamp = tuple[int, int, int]
_FINE_NS, _COARSE_NS = 50_000_000, 2_000_000_000
"""How far apart two changes of a file must be to get different times: FAT counts 2 s (Microsoft,
FAT 1.03), exFAT 10 ms, other file systems a tick of the clock (from memory)."""


@dataclass(frozen=True)
class SourceDigest:
    """What a file held when it was read from end to end.

    Attributes
    ----------
    sha256
        Of the whole file, in hexadecimal digits.
    size
        In bytes.
    block_sums
        CRC-32 (RFC 1952) of each `BLOCK_BYTES`: with them a part is checked without the whole.
        They tell a file that was replaced, and are no proof against forgery.
    """

    sha256: str
    size: int
    block_sums: tuple[int, ...]

    def as_json(self) -> list[Any]:
        """Return it as plain data; `of_json` reads it."""
        return [self.sha256, self.size, list(self.block_sums)]

    @classmethod
    def of_json(cls, told: list[Any]) -> SourceDigest:
        """Read what `as_json` returned."""
        sha256, size, block_sums = told
        return cls(sha256, size, tuple(block_sums))


def file_stamp(path: Path) -> Stamp:
    """Return a file's size, and in ns the times of change of its content and of its entry.

    By these a change is noticed without reading; nobody can set the last one back.

    Raises
    ------
    OSError
        It is not there.
    """
    found = path.stat()
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns


def is_settled(stamp: Stamp) -> bool:
    """Return whether any change from now on would give a file another stamp."""
    now_ns = time.time_ns()
    newest_ns = max((at_ns for at_ns in stamp[1:] if at_ns <= now_ns), default=now_ns)
    apart_ns = _FINE_NS if newest_ns % 1_000_000_000 else _COARSE_NS
    return now_ns - newest_ns > apart_ns


def file_digest(path: Path) -> str:
    """Return a file's SHA-256 in hexadecimal digits.

    Raises
    ------
    OSError
        It can't be read.
    """
    return source_digest(path).sha256


def source_digest(path: Path) -> SourceDigest:
    """Read a file from end to end and return what it held.

    Raises
    ------
    OSError
        It can't be read.
    """
    digest, size, sums = hashlib.sha256(), 0, []
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            check_cancelled()
            digest.update(block)
            size += len(block)
            sums.append(zlib.crc32(block))
    return SourceDigest(digest.hexdigest(), size, tuple(sums))


class CheckedFile(io.RawIOBase):
    """A file that ends where it no longer holds what its digest was made of.

    Parameters
    ----------
    path
        The file.
    digest
        What it held.

    Attributes
    ----------
    is_changed
        Something else was found; what was read up to there is as it was. No exception says so,
        since none can pass through a library that calls back to read.
    """

    def __init__(self, path: Path, digest: SourceDigest) -> None:
        self.is_changed = False
        self._file = path.open("rb")
        self._digest = digest
        self._position = 0
        self._number = -1
        self._block = memoryview(b"")

    def close(self) -> None:
        """Close it."""
        self._file.close()
        super().close()

    def readable(self) -> bool:
        """Return that it can be read."""
        return True

    def seekable(self) -> bool:
        """Return that it can be read from any place."""
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        """Go to a byte."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._digest.size}
        self._position = max(0, base[whence] + offset)
        return self._position

    def tell(self) -> int:
        """Return the byte that comes next."""
        return self._position

    def readinto(self, room: Any, /) -> int:
        """Read the next bytes, as many as there are up to the end of a block."""
        number, start = divmod(self._position, BLOCK_BYTES)
        if number != self._number and not self._load(number):
            return 0
        part = self._block[start : start + len(room)]
        room[: len(part)] = part
        self._position += len(part)
        return len(part)

    def _load(self, number: int) -> bool:
        """Read a block and look whether it is what it was."""
        if number >= len(self._digest.block_sums) or self.is_changed:
            return False
        self._file.seek(number * BLOCK_BYTES)
        block = self._file.read(BLOCK_BYTES)
        if zlib.crc32(block) != self._digest.block_sums[number]:
            self.is_changed = True
            return False
        self._number, self._block = number, memoryview(block)
        return True
