"""The length that the header of a chunked file declares; libsndfile accepts shorter files silently.

RIFF (IBM and Microsoft, 1991), RF64 (EBU Tech 3306), AIFF 1.3 (Apple, 1989), W64 (from memory).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

_OPEN_ENDED = (0, 0xFFFFFFFF, 0x7FFFFFFF)
"""Sizes written by a program that can't return to the header."""
_MAX_HEADER_BYTES = 64
"""Bytes read of a header chunk, whatever size it claims; all values needed are in them."""
_PCM, _EXTENSIBLE = 1, 0xFFFE
_RIFF = (b"RIFF", b"RF64")


@dataclass(frozen=True)
class WaveData:
    """Position and format of the samples in a WAV file.

    Attributes
    ----------
    offset
        First byte.
    size
        Number of bytes that the header declares; None where it leaves the end open.
    frame_bytes
        Bytes of one sample in all channels.
    bits
        Word length of PCM; 0 for any other coding.
    """

    offset: int
    size: int | None
    frame_bytes: int
    rate_hz: int
    channels: int
    bits: int


def declared_frames(path: Path) -> int | None:
    """Return the samples per channel that a WAV, RF64, W64 or AIFF header declares.

    Returns
    -------
    int or None
        None for other files, and where the header leaves the end open.
    """
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] in _RIFF and head[8:] == b"WAVE":
            data = _in_wave(file)
            return data.size // data.frame_bytes if data and data.size else None
        if head[:4] == b"FORM" and head[8:] in (b"AIFF", b"AIFC"):
            return _in_aiff(file)
        if head[:4] == b"riff":
            return _in_w64(file)
    return None


def wave_data(file: BinaryIO) -> WaveData | None:
    """Find the samples of a WAV or RF64 file, read from its beginning; None for any other file.

    Raises
    ------
    OSError
        The file can't be read.
    """
    head = file.read(12)
    return _in_wave(file) if head[:4] in _RIFF and head[8:] == b"WAVE" else None


def _in_wave(file: BinaryIO) -> WaveData | None:
    fmt = bytes(0)
    long_size = 0
    while len(chunk := file.read(8)) == 8:
        name, size = chunk[:4], struct.unpack("<I", chunk[4:])[0]
        if name == b"data":
            size = long_size if size == 0xFFFFFFFF and long_size else size
            return _wave_data(fmt, file.tell(), None if size in _OPEN_ENDED else size)
        if name in (b"fmt ", b"ds64"):
            content = file.read(min(size, _MAX_HEADER_BYTES))
            file.seek(size + size % 2 - len(content), 1)
            if name == b"fmt ":
                fmt = content
            elif len(content) >= 16:
                long_size = struct.unpack_from("<Q", content, 8)[0]
        else:
            file.seek(size + size % 2, 1)
    return None


def _wave_data(fmt: bytes, offset: int, size: int | None) -> WaveData | None:
    if len(fmt) < 16:
        return None
    coding, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", fmt)
    if coding == _EXTENSIBLE and len(fmt) >= 26:
        coding = struct.unpack_from("<H", fmt, 24)[0]
    if not frame_bytes:
        return None
    return WaveData(offset, size, frame_bytes, rate_hz, channels, bits if coding == _PCM else 0)


def _in_aiff(file: BinaryIO) -> int | None:
    while len(chunk := file.read(8)) == 8:
        name, size = chunk[:4], struct.unpack(">I", chunk[4:])[0]
        if name == b"COMM":
            content = file.read(min(size, _MAX_HEADER_BYTES))
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
