"""Write a restored side to a file, and report what was done to it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import soundfile

from assembler.audio import Recording
from assembler.dsp.blocks import Samples
from assembler.file_names import for_libsndfile
from assembler.manifest.transfers import Transfer
from assembler.restoration.analysis.dropouts import MOST_LISTED, Dropout, DropoutMeter
from assembler.restoration.chain import (
    correct_speed,
    noise_print_levels,
    resolve,
    restored_passage,
)
from assembler.restoration.condition import Condition, condition_from, condition_meters
from assembler.restoration.measuring import measured_in_parallel, read_side, readings_of
from assembler.restoration.restoration_report import restoration_report
from assembler.workers import keep_large_blocks_apart, own_workers

_MEASURED_AFTER = {
    "declick": "clicks",
    "dropouts": "dropouts",
    "playback": "tonal_balance",
    "equaliser": "tonal_balance",
    "azimuth": "delay_path",
    "wow": "partials",
}
"""By step: what is looked for in the restored side, beside its hum and its channels."""


def restore_side(
    recording: Recording,
    transfer: Transfer,
    before: Condition,
    file: Path,
    *,
    jobs: int | None = None,
) -> dict[str, Any]:
    """Restore a whole side into a file, in 32-bit float so that nothing is clipped or rounded.

    Parameters
    ----------
    recording, transfer
        The side, which is only read, and its section of the manifest, with the steps requested.
    before
        The side's condition (`condition_of`).
    file
        RF64 (EBU Tech 3306), because a side may exceed four gigabytes.
    jobs
        How many steps and meters run at once; by default as many as there are cores.

    Returns
    -------
    dict
        What was done, with readings before and after (see `restoration_report`), and ``dropouts``
        of the original side.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    keep_large_blocks_apart()
    rate_hz, end = recording.rate_hz, recording.frames
    resolved = resolve(transfer, before, rate_hz)
    looks_for = {_MEASURED_AFTER[step] for step in resolved.values() if step in _MEASURED_AFTER}
    if transfer.restoration.azimuth != "follow":
        looks_for.discard("delay_path")
    if transfer.restoration.trim_silence:
        looks_for.add("programme")
    meters = condition_meters(rate_hz, looks_for)
    with own_workers(jobs) as pool:
        passage = restored_passage(recording, resolved, 0, end, pool=pool)
        # They have no other name here, so that each is freed when it is read.
        blocks = measured_in_parallel(passage, tuple(meters.values()), pool)
        _write(file, rate_hz, correct_speed(blocks, rate_hz, resolved))
    noise_dbfs = noise_print_levels(recording, resolved) if resolved.noise else None
    readings = readings_of(meters)
    after, programme = condition_from(readings), readings.get("programme")
    report = restoration_report(transfer, resolved, before, after, noise_dbfs, programme)
    return {**report, "dropouts": _listed(before.dropouts)}


def dropouts_of(recording: Recording) -> tuple[Dropout, ...]:
    """Return the dropouts of a side.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    found: tuple[Dropout, ...] = read_side(
        recording, {"dropouts": DropoutMeter(recording.rate_hz)}
    )["dropouts"]
    return found


def unrestored_report(dropouts: Sequence[Dropout]) -> dict[str, Any]:
    """Return the report on a side without restoration: only its dropouts are listed."""
    return {"steps": [], "unresolved": [], "reasons": {}, "dropouts": _listed(dropouts)}


def _listed(dropouts: Sequence[Dropout]) -> list[dict[str, Any]]:
    return [dropout.as_json() for dropout in dropouts[:MOST_LISTED]]


def _write(file: Path, rate_hz: int, blocks: Iterator[Samples]) -> None:
    with soundfile.SoundFile(
        for_libsndfile(file), "w", rate_hz, 2, subtype="FLOAT", format="RF64"
    ) as out:
        for block in blocks:
            out.write(block)
