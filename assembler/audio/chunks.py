"""What a chunked file's header promises: libsndfile takes what is there without a word.

RIFF (IBM and Microsoft, 1991), RF64 (EBU Tech 3306), AIFF 1.3 (Apple, 1989), W64 (from memory).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

_OPEN_ENDED = (0, 0xFFFFFFFF, 0x7FFFFFFF)
"""Sizes that a program writes which can't go back to its header."""


_MOST_OF_A_FORM = 64
"""All that is wanted of a form lies in its first bytes, whatever size it claims."""
_WHOLE_NUMBERS, _EXTENSIBLE = 1, 0xFFFE
_RIFF = (b"RIFF", b"RF64")


@dataclass(frozen=True)
class WaveData:
    """Where the words of a WAV file lie, and of what form they are.

    Attributes
    ----------
    offset
        Byte at which they begin.
    size
        Bytes that the header promises; None where it leaves the end open.
    frame_bytes
        Bytes of one sample in all channels.
    bits
        Width of whole numbers; 0 for any other coding.
    """

    offset: int
    size: int | None
    frame_bytes: int
    rate_hz: int
    channels: int
    bits: int


def promised_frames(path: Path) -> int | None:
    """Return the samples a channel that a WAV, RF64, W64 or AIFF header promises.

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
    """Find the words of a WAV or RF64 file that stands at its beginning; None for any other file.

    Raises
    ------
    OSError
        It can't be read.
    """
    head = file.read(12)
    return _in_wave(file) if head[:4] in _RIFF and head[8:] == b"WAVE" else None


def _in_wave(file: BinaryIO) -> WaveData | None:
    form = bytes(0)
    long_size = 0
    while len(chunk := file.read(8)) == 8:
        name, size = chunk[:4], struct.unpack("<I", chunk[4:])[0]
        if name == b"data":
            size = long_size if size == 0xFFFFFFFF and long_size else size
            return _wave_data(form, file.tell(), None if size in _OPEN_ENDED else size)
        if name in (b"fmt ", b"ds64"):
            content = file.read(min(size, _MOST_OF_A_FORM))
            file.seek(size + size % 2 - len(content), 1)
            if name == b"fmt ":
                form = content
            elif len(content) >= 16:
                long_size = struct.unpack_from("<Q", content, 8)[0]
        else:
            file.seek(size + size % 2, 1)
    return None


def _wave_data(form: bytes, offset: int, size: int | None) -> WaveData | None:
    if len(form) < 16:
        return None
    coding, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", form)
    if coding == _EXTENSIBLE and len(form) >= 26:
        coding = struct.unpack_from("<H", form, 24)[0]
    whole = coding == _WHOLE_NUMBERS
    if not frame_bytes:
        return None
    return WaveData(offset, size, frame_bytes, rate_hz, channels, bits if whole else 0)


def _in_aiff(file: BinaryIO) -> int | None:
    while len(chunk := file.read(8)) == 8:
        name, size = chunk[:4], struct.unpack(">I", chunk[4:])[0]
        if name == b"COMM":
            content = file.read(min(size, _MOST_OF_A_FORM))
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
