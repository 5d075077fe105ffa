"""The first frame of an MP3 file, without sound: frame count, encoder delay and padding.

The Xing/Info frame with LAME's extension ("Mp3 Info Tag rev. 1", from memory; compared with ffmpeg,
mpg123 and libsndfile in the tests). ffmpeg derives the padding from the last packet alone, at most
one frame and 529 samples; LAME pads by up to 1727. So the padding is written here, from the true
length.

    bytes from "Xing" or "Info"    field
    4                              flags: frame count, byte count, contents, quality follow
    8 …                            these, as flagged: 4, 4, 100 and 4 bytes
    then + 21 … 23                 delay and padding, 12 bits each
    then + 34, 35                  CRC-16 of the frame up to here
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

from assembler.audio.source_tags import ID3_HEADER_BYTES, id3_bytes
from assembler.errors import AssemblerError

FRAME_SAMPLES = 1152
"""Samples of a frame of MPEG-1 layer III (ISO/IEC 11172-3)."""
_FIELD_SIZES = (4, 4, 100, 4)
_MOST_PADDING = 0xFFF
_CRC_POLYNOMIAL = 0xA001  # x^16 + x^15 + x^2 + 1, the lowest bit first


@dataclass(frozen=True)
class Mp3Header:
    """The content of the first frame."""

    frames: int
    """Number of frames after it."""
    delay: int
    padding: int
    """Samples that the encoder added before and after the sound."""
    crc_holds: bool
    """Whether the frame's CRC is correct."""

    @property
    def length_samples(self) -> int:
        """The length of the sound."""
        return self.frames * FRAME_SAMPLES - self.delay - self.padding


def read_mp3_header(path: Path) -> Mp3Header:
    """Read the first frame of an MP3 file.

    Raises
    ------
    ValueError
        There is no such frame, or it has no frame count.
    """
    _, frame = _first_frame(path)
    lame, frames = _lame_position(frame)
    packed = int.from_bytes(frame[lame + 21 : lame + 24], "big")
    (crc,) = struct.unpack(">H", frame[lame + 34 : lame + 36])
    return Mp3Header(frames, packed >> 12, packed & 0xFFF, crc == crc_16(frame[: lame + 34]))


def write_mp3_length(path: Path, length_samples: int) -> None:
    """Write the padding into an MP3 file's first frame, and its CRC.

    Raises
    ------
    AssemblerError
        The file is shorter than the sound, or has no such frame.
    """
    try:
        header = read_mp3_header(path)
        start, frame = _first_frame(path)
        lame, _ = _lame_position(frame)
    except (ValueError, struct.error) as error:
        message = f"{path.name}: the encoder wrote no delay and padding: reinstall imageio-ffmpeg"
        raise AssemblerError(message) from error
    padding = header.frames * FRAME_SAMPLES - header.delay - length_samples
    if not 0 <= padding <= _MOST_PADDING:
        raise AssemblerError(
            f"{path.name}: the encoder wrote {header.frames} frames for {length_samples} samples: "
            "please report this"
        )
    corrected = bytearray(frame[: lame + 36])
    corrected[lame + 21 : lame + 24] = (header.delay << 12 | padding).to_bytes(3, "big")
    corrected[lame + 34 :] = struct.pack(">H", crc_16(corrected[: lame + 34]))
    with path.open("r+b") as file:
        file.seek(start)
        file.write(corrected)


def crc_16(content: bytes | bytearray) -> int:
    """Return the CRC-16 of LAME's extension (also called ARC).

    Examples
    --------
    >>> hex(crc_16(b"123456789"))
    '0xbb3d'
    """
    crc = 0
    for byte in content:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (_CRC_POLYNOMIAL if crc & 1 else 0)
    return crc


def _first_frame(path: Path) -> tuple[int, bytes]:
    """Return the position of the first frame, after any ID3 tag, and enough bytes from there."""
    with path.open("rb") as file:
        start = id3_bytes(file.read(ID3_HEADER_BYTES))
        file.seek(start)
        return start, file.read(FRAME_SAMPLES)


def _lame_position(frame: bytes) -> tuple[int, int]:
    """Return the position of LAME's extension in the frame, and the frame count."""
    start = max(frame.find(b"Xing"), frame.find(b"Info"))
    if start < 0:
        raise ValueError("no frame with a frame count")
    flags, frames = struct.unpack(">II", frame[start + 4 : start + 12])
    if not flags & 1:
        raise ValueError("no frame count")
    sizes = (size for bit, size in enumerate(_FIELD_SIZES) if flags >> bit & 1)
    return start + 8 + sum(sizes), frames
