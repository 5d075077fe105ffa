"""The number of bytes of sound that a header declares; libsndfile accepts fewer silently.

AU (Sun, 1992), NIST SPHERE, Creative VOC, AVR, MAT-files 4 and 5 (MathWorks), IFF 8SVX (EA, 1985),
Akai MPC 2000 and Psion WVE: all from memory, compared with what libsndfile writes. RIFF, RIFX and
AIFC only where their sound is not PCM; for that see `chunks`.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

_OPEN_ENDED = (0, 0xFFFFFFFF, 0x7FFFFFFF)
_HEAD_BYTES = 1024
_MOST_PARTS = 100_000
"""Chunks and blocks that are read, so that no file delays a check."""
_MATRIX = 14
_MOST_RIFF_BYTES = (1 << 32) + 8
"""The largest size that a RIFF header can declare: what follows is not in any chunk."""


@dataclass(frozen=True)
class DeclaredBytes:
    """The bytes of sound that a header declares.

    Attributes
    ----------
    offset, size
        First byte and number of bytes in the header.
    present
        How many of them the file has.
    after
        Bytes after them that are not chunks: sound that the header does not count.
    """

    offset: int
    size: int
    present: int
    after: int = 0

    @property
    def is_truncated(self) -> bool:
        """Whether some of them are missing."""
        return self.present < self.size


def declared_bytes(path: Path) -> DeclaredBytes | None:
    """Read the number of bytes of sound that a file's header declares.

    Returns
    -------
    DeclaredBytes or None
        None where the format declares no length, or the header leaves the end open.
    """
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
        reader = next((read for magic, read in _READERS if head.startswith(magic)), None)
        try:
            extent = reader(head, file) if reader else None
        except (struct.error, ValueError, IndexError):
            return None
        if extent is None or extent[1] in _OPEN_ENDED:
            return None
        offset, size = extent
        length = file.seek(0, 2)
        after = _uncounted(head, file, offset + size, length)
    return DeclaredBytes(offset, size, max(0, min(size, length - offset)), after)


def _uncounted(head: bytes, file: BinaryIO, end: int, length: int) -> int:
    """Count the bytes after the sound that are not in any chunk; 0 where the format allows any."""
    if head[:4] in (b".snd", b"dns."):
        return max(0, length - end)
    if head[:4] not in (b"RIFF", b"RIFX"):
        return 0
    if length > _MOST_RIFF_BYTES:
        return length - end
    place = end + end % 2
    while 0 <= place < length:
        file.seek(place)
        tag = file.read(8).ljust(8, b"\0")
        name, size = struct.unpack("<4sI" if head[:4] == b"RIFF" else ">4sI", tag)
        if not name.isascii() or not name.decode("ascii").isprintable():
            break
        if place + 8 + size > length:
            break
        place += 8 + size + size % 2
    return max(0, length - place)


Extent = tuple[int, int] | None
"""Offset and size of the sound."""


def _au(head: bytes, _file: BinaryIO) -> Extent:
    order = ">" if head[:4] == b".snd" else "<"
    offset, size = struct.unpack_from(f"{order}II", head, 4)
    return offset, size


def _nist(head: bytes, _file: BinaryIO) -> Extent:
    def value(name: bytes) -> int:
        match = re.search(name + rb" -i (\d+)", head)
        return int(match[1]) if match else 0

    frame_bytes = value(b"channel_count") * value(b"sample_n_bytes")
    return int(head[8:16]), value(b"sample_count") * frame_bytes


def _voc(head: bytes, file: BinaryIO) -> Extent:
    """Read the blocks up to their end mark; all of them are sound or small."""
    begin = place = struct.unpack_from("<H", head, 20)[0]
    for _ in range(_MOST_PARTS):
        file.seek(place)
        block = file.read(4)
        if not block or block[0] == 0:
            return begin, place - begin
        place += 4 + int.from_bytes(block[1:], "little")
    return None


def _avr(head: bytes, _file: BinaryIO) -> Extent:
    stereo, bits = struct.unpack_from(">HH", head, 12)
    frames = struct.unpack_from(">I", head, 26)[0]
    return 128, frames * (2 if stereo else 1) * (bits // 8)


def _mat_5(head: bytes, file: BinaryIO) -> Extent:
    """Return the longest part of a matrix."""
    order = "<" if head[126:128] == b"IM" else ">"
    place, longest = 128, (0, 0)
    for _ in range(_MOST_PARTS):
        file.seek(place)
        tag = file.read(8)
        if len(tag) < 8:
            break
        kind, size = struct.unpack(f"{order}II", tag)
        if kind == _MATRIX:
            place += 8  # its parts follow
        elif kind > 0xFFFF:
            place += 8  # a part of 4 bytes or less, in its own tag
        else:
            longest = max(longest, (place + 8, size), key=lambda extent: extent[1])
            place += 8 + (size + 7) // 8 * 8
    return longest


def _mat_4(head: bytes, file: BinaryIO) -> Extent:
    order = ">" if struct.unpack_from("<I", head)[0] > 5000 else "<"
    place, longest = 0, (0, 0)
    for _ in range(_MOST_PARTS):
        file.seek(place)
        header = file.read(20)
        if len(header) < 20:
            break
        kind, rows, columns, _, name_bytes = struct.unpack(f"{order}5I", header)
        width = (8, 4, 4, 2, 2, 1)[kind // 10 % 10]
        begin, size = place + 20 + name_bytes, rows * columns * width
        longest = max(longest, (begin, size), key=lambda extent: extent[1])
        place = begin + size
    return longest


def _chunks(order: str, wanted: bytes) -> Callable[[bytes, BinaryIO], Extent]:
    def find(_head: bytes, file: BinaryIO) -> Extent:
        file.seek(12)
        for _ in range(_MOST_PARTS):
            chunk = file.read(8)
            if len(chunk) < 8:
                break
            name, size = struct.unpack(f"{order}4sI", chunk)
            if name == wanted:
                return file.tell(), size
            file.seek(size + size % 2, 1)
        return None

    return find


def _iff(head: bytes, file: BinaryIO) -> Extent:
    kind = head[8:12]
    if kind in (b"8SVX", b"16SV"):
        return _chunks(">", b"BODY")(head, file)
    return _chunks(">", b"SSND")(head, file) if kind == b"AIFC" else None


def _mpc(head: bytes, _file: BinaryIO) -> Extent:
    channels = 2 if head[21] else 1
    return 42, struct.unpack_from("<I", head, 30)[0] * 2 * channels


def _wve(head: bytes, _file: BinaryIO) -> Extent:
    return 32, struct.unpack_from(">I", head, 18)[0]


_READERS: tuple[tuple[bytes, Callable[[bytes, BinaryIO], Extent]], ...] = (
    (b".snd", _au),
    (b"dns.", _au),
    (b"NIST_1A", _nist),
    (b"Creative Voice File\x1a", _voc),
    (b"2BIT", _avr),
    (b"MATLAB 5.0", _mat_5),
    (b"\0\0\0\0\1\0\0\0\1\0\0\0", _mat_4),
    (b"\0\0\x03\xe8\0\0\0\1\0\0\0\1", _mat_4),
    (b"RIFF", _chunks("<", b"data")),
    (b"RIFX", _chunks(">", b"data")),
    (b"FORM", _iff),
    (b"\1\4", _mpc),
    (b"ALawSoundFile**", _wve),
)
