"""The disc image: 44,100 Hz, 16 bit, two channels, pauses inside (IEC 60908), as a WAV file.

The header is the one of the format's 1991 description ("Multimedia Programming Interface and Data
Specifications 1.0", from memory): RIFF, `fmt ` of 16 bytes, `data`. Its length is known before any
sound is, so passages are written at their places, in any order and at the same time.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

from assembler.dsp.blocks import Pcm
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME

SAMPLE_BYTES = 4
"""Of both channels."""
_HEADER = struct.Struct("<4sI4s4sIHHIIHH4sI")
_COPIED_BYTES = 1 << 22


def create_image(path: Path, frames: int) -> None:
    """Create an image of digital silence.

    Parameters
    ----------
    path
        WAV file to write.
    frames
        Length of the disc.
    """
    size = frames * SAMPLES_PER_FRAME * SAMPLE_BYTES
    wave = (b"RIFF", _HEADER.size - 8 + size, b"WAVE")
    form = (b"fmt ", 16, 1, 2, DISC_RATE_HZ, DISC_RATE_HZ * SAMPLE_BYTES, SAMPLE_BYTES, 16)
    with path.open("wb") as file:
        file.write(_HEADER.pack(*wave, *form, b"data", size))
        file.truncate(_HEADER.size + size)


class ImageWriter:
    """Writes a passage into an image.

    Parameters
    ----------
    path
        From `create_image`.
    start_frame
        The passage's place.
    """

    def __init__(self, path: Path, start_frame: int) -> None:
        self._file = path.open("r+b")
        self._file.seek(_place(start_frame))

    def write(self, _region: int, pcm: Pcm) -> None:
        """Write the next samples."""
        self._file.write(np.ascontiguousarray(pcm, "<i2").data)

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def copy_passage(last: Path, from_frame: int, image: Path, start_frame: int, frames: int) -> None:
    """Copy a passage from another image.

    Parameters
    ----------
    last, from_frame
        The other image, and the passage's place there.
    image, start_frame
        The image from `create_image`, and the passage's place in it.
    frames
        Length to copy.

    Raises
    ------
    OSError
        The other image can't be read, or ends early.
    """
    left = frames * SAMPLES_PER_FRAME * SAMPLE_BYTES
    with last.open("rb") as source, image.open("r+b") as target:
        source.seek(_place(from_frame))
        target.seek(_place(start_frame))
        while left:
            block = source.read(min(left, _COPIED_BYTES))
            if not block:
                raise OSError(0, "ends early", str(last))
            target.write(block)
            left -= len(block)


def _place(frame: int) -> int:
    return _HEADER.size + frame * SAMPLES_PER_FRAME * SAMPLE_BYTES
