"""Write short clips around the cuts of a side, to check them by ear."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import soundfile

from assembler.audio import Recording
from assembler.restoration.split.split import Split

AROUND_S = 4.0
"""Length of a clip before and after its cut."""


def write_split_clips(
    folder: Path, recording: Recording, split: Split, first_number: int = 1
) -> list[Path]:
    """Write "03 begins.wav" and "03 ends.wav" for each song at 24 bits; return their paths.

    Only the samples of the clips are read. The cut is 4 s after the start of a clip, or earlier at
    the start of the side.

    Parameters
    ----------
    folder
        An existing folder to write into.
    recording, split, first_number
        The side, its songs, and the number of the first.

    Raises
    ------
    OSError
        A clip can't be written.
    SourceError
        The side can't be read.
    """
    written = []
    for name, at_s in _cuts(split, first_number):
        at, around = round(at_s * recording.rate_hz), round(AROUND_S * recording.rate_hz)
        start, end = max(at - around, 0), min(at + around, recording.frames)
        path = folder / f"{name}.wav"
        with (
            path.open("wb") as file,
            soundfile.SoundFile(file, "w", recording.rate_hz, 2, "PCM_24", format="WAV") as clip,
        ):
            for block in recording.blocks(start, end):
                clip.write(block)
        written.append(path)
    return written


def _cuts(split: Split, first_number: int) -> Iterator[tuple[str, float]]:
    for number, song in enumerate(split.songs, first_number):
        yield f"{number:02d} begins", song.start_s
        yield f"{number:02d} ends", song.end_s
