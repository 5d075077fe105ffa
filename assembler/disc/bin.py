"""The image as a BIN file: its PCM without a header, little-endian, for use with a cue sheet.

A cue sheet names such a file with the word BINARY; its samples have 16 bit in Intel byte order
(from memory: common practice, as libcdio and cdrdao read it; MOTOROLA is the other order).
"""

from __future__ import annotations

from pathlib import Path

from assembler.audio.chunks import wave_data
from assembler.cancel import check_cancelled
from assembler.errors import AssemblerError

FOLDER = "bin"
"""Of the disc's folder: a BIN file and its cue sheet share a name, as some programs require."""
KIND = "BINARY"
_BLOCK_BYTES = 1 << 22


def write_bin(image: Path, target: Path) -> None:
    """Write the PCM of an image to a file without a header.

    Parameters
    ----------
    image
        WAV file.
    target
        BIN file to write.

    Raises
    ------
    AssemblerError
        The image is not a WAV file, or has fewer bytes than its header declares.
    """
    with image.open("rb") as source, target.open("wb") as file:
        data = wave_data(source)
        if data is None or data.size is None:
            raise AssemblerError(f"{image.name}: is not a WAV file: build the release again")
        source.seek(data.offset)
        left = data.size
        while left and (block := source.read(min(left, _BLOCK_BYTES))):
            check_cancelled()
            file.write(block)
            left -= len(block)
    if left:
        raise AssemblerError(f"{image.name}: is truncated: build the release again")
