"""The length that a chunked file's header promises: libsndfile takes what is there without a word.

RIFF (IBM and Microsoft, 1991), RF64 (EBU Tech 3306), AIFF 1.3 (Apple, 1989), W64 (from memory).
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

_OPEN_ENDED = (0, 0xFFFFFFFF, 0x7FFFFFFF)
"""Sizes that a program writes which can't go back to its header."""


def promised_frames(path: Path) -> int | None:
    """Give the samples a channel that a WAV, RF64, W64 or AIFF header promises.

    Returns
    -------
    int or None
        None for other files, and where the header leaves the end open.
    """
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] in (b"RIFF", b"RF64") and head[8:] == b"WAVE":
            return _in_wave(file)
        if head[:4] == b"FORM" and head[8:] in (b"AIFF", b"AIFC"):
            return _in_aiff(file)
        if head[:4] == b"riff":
            return _in_w64(file)
    return None


def _in_wave(file: BinaryIO) -> int | None:
    frame_bytes = long_size = 0
    while len(chunk := file.read(8)) == 8:
        name, size = chunk[:4], struct.unpack("<I", chunk[4:])[0]
        if name == b"data":
            size = long_size if size == 0xFFFFFFFF and long_size else size
            return None if size in _OPEN_ENDED or not frame_bytes else size // frame_bytes
        if name in (b"fmt ", b"ds64"):
            content = file.read(size + size % 2)
            if name == b"fmt " and len(content) >= 14:
                frame_bytes = struct.unpack_from("<H", content, 12)[0]
            elif name == b"ds64" and len(content) >= 16:
                long_size = struct.unpack_from("<Q", content, 8)[0]
        else:
            file.seek(size + size % 2, 1)
    return None


def _in_aiff(file: BinaryIO) -> int | None:
    while len(chunk := file.read(8)) == 8:
        name, size = chunk[:4], struct.unpack(">I", chunk[4:])[0]
        if name == b"COMM":
            content = file.read(size)
            return int(struct.unpack_from(">I", content, 2)[0]) if len(content) >= 6 else None
        file.seek(size + size % 2, 1)
    return None


def _in_w64(file: BinaryIO) -> int | None:
    file.seek(40)
    frame_bytes = 0
    while len(chunk := file.read(24)) == 24:
        name, size = chunk[:4], struct.unpack("<Q", chunk[16:])[0] - 24
        if size < 0:
            return None
        if name == b"data":
            return size // frame_bytes if frame_bytes and size else None
        content = file.read(min(size, 16)) if name == b"fmt " else b""
        if len(content) >= 14:
            frame_bytes = struct.unpack_from("<H", content, 12)[0]
        file.seek((size + 7) // 8 * 8 - len(content), 1)
    return None
