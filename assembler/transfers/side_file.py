"""A mended side as a file, and the account of what was done to it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import soundfile

from assembler.file_names import for_libsndfile
from assembler.manifest.transfers import Mend
from assembler.sound.blocks import Samples
from assembler.sources import Recording
from assembler.transfers.account import account_of
from assembler.transfers.condition import ConditionMeter, condition_of
from assembler.transfers.mending import in_place, run_faster, settle


def mend_side(recording: Recording, mend: Mend, file: Path) -> dict[str, Any]:
    """Mend a whole side into a file, 32-bit float so that nothing is cut off or rounded.

    Parameters
    ----------
    recording
        The side, which is only read.
    mend
        What is asked.
    file
        RF64 (EBU Tech 3306), since a side may pass four gigabytes.

    Returns
    -------
    dict
        What was done, with readings before and after: plain data, see `account_of`.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    rate_hz, end = recording.rate_hz, recording.frames
    before = condition_of(recording.blocks(0, end), rate_hz)
    settled = settle(mend, before, rate_hz)
    after = ConditionMeter(rate_hz)
    sound = after.passed(in_place(recording, settled, 0, end))
    _write(file, rate_hz, run_faster(sound, rate_hz, settled))
    return account_of(mend, settled, before, after.reading())


def _write(file: Path, rate_hz: int, sound: Iterator[Samples]) -> None:
    with soundfile.SoundFile(
        for_libsndfile(file), "w", rate_hz, 2, subtype="FLOAT", format="RF64"
    ) as out:
        for block in sound:
            out.write(block)
