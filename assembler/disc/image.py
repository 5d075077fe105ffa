"""The disc image: 44,100 Hz, 16 bit, two channels, pauses inside (IEC 60908)."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.errors import AssemblerError
from assembler.file_names import for_libsndfile
from assembler.sequence import DiscOrder
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME


def write_image(pcm: Iterable[NDArray[np.int32]], order: DiscOrder, target: Path) -> None:
    """Write a disc's image.

    Parameters
    ----------
    pcm
        16-bit samples of all its tracks, each with the pause after it, shape (samples, 2).
    order
        The disc.
    target
        WAV file to write.

    Raises
    ------
    AssemblerError
        The sound does not have the length of the running order.
    """
    with sound_file(target, format="WAV") as file:
        write_disc(pcm, order, file)


def sound_file(target: Path, **options: Any) -> soundfile.SoundFile:
    """Open a file for a disc's sound; `options` are soundfile's, such as the format."""
    return soundfile.SoundFile(
        for_libsndfile(target), "w", DISC_RATE_HZ, 2, subtype="PCM_16", **options
    )


def write_disc(
    pcm: Iterable[NDArray[np.int32]], order: DiscOrder, file: soundfile.SoundFile
) -> None:
    """Write a disc's samples to an open file.

    Raises
    ------
    AssemblerError
        The sound does not have the length of the running order.
    """
    samples = 0
    for block in pcm:
        file.write(np.ascontiguousarray(block, np.int16))
        samples += len(block)
    if samples != order.frames * SAMPLES_PER_FRAME:
        raise AssemblerError(
            f"disc {order.number}: its sound has {samples} samples, the running order "
            f"{order.frames * SAMPLES_PER_FRAME}: please report this"
        )
