"""A mended side as a file, and the account of what was done to it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import soundfile

from assembler.audio import Recording
from assembler.dsp.blocks import Samples
from assembler.file_names import for_libsndfile
from assembler.manifest.transfers import Restoration
from assembler.restoration.account import account_of
from assembler.restoration.analysis.dropouts import MOST_TOLD, DropoutMeter
from assembler.restoration.chain import in_place, noise_around, resolve, run_faster
from assembler.restoration.condition import ConditionMeter, condition_of


def mend_side(recording: Recording, restoration: Restoration, file: Path) -> dict[str, Any]:
    """Repair a whole side into a file, 32-bit float so that nothing is cut off or rounded.

    Parameters
    ----------
    recording
        The side, which is only read.
    restoration
        What is asked.
    file
        RF64 (EBU Tech 3306), since a side may pass four gigabytes.

    Returns
    -------
    dict
        What was done, with readings before and after: plain data, see `account_of`; and
        ``dropouts`` of the side as it is.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    rate_hz, end = recording.rate_hz, recording.frames
    dropouts = DropoutMeter(rate_hz)
    before = condition_of(_fed(dropouts, recording.blocks(0, end)), rate_hz)
    settled = resolve(restoration, before, rate_hz)
    after = ConditionMeter(rate_hz)
    sound = after.passed(in_place(recording, settled, 0, end))
    _write(file, rate_hz, run_faster(sound, rate_hz, settled))
    noise_dbfs = noise_around(recording, settled) if settled.noise else None
    account = account_of(restoration, settled, before, after.reading(), noise_dbfs)
    return {**account, "dropouts": _dropouts(dropouts)}


def account_as_it_is(recording: Recording) -> dict[str, Any]:
    """Return the account of a side in which nothing is mended: its dropouts are named all the same.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    dropouts = DropoutMeter(recording.rate_hz)
    for block in recording.blocks(0, recording.frames):
        dropouts.feed(block)
    return {"steps": [], "unresolved": [], "reasons": {}, "dropouts": _dropouts(dropouts)}


def _fed(meter: DropoutMeter, blocks: Iterable[Samples]) -> Iterator[Samples]:
    for block in blocks:
        meter.feed(block)
        yield block


def _dropouts(meter: DropoutMeter) -> list[dict[str, Any]]:
    return [dropout.as_json() for dropout in meter.reading().dropouts[:MOST_TOLD]]


def _write(file: Path, rate_hz: int, sound: Iterator[Samples]) -> None:
    with soundfile.SoundFile(
        for_libsndfile(file), "w", rate_hz, 2, subtype="FLOAT", format="RF64"
    ) as out:
        for block in sound:
            out.write(block)
