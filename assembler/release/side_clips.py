"""Clips of a mended side for the proof: as it came, mended, and with each step left out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray

from assembler.cache.keys import named_key
from assembler.dsp.blocks import Samples
from assembler.preflight.sides import Side
from assembler.proof.content import ProofSide, SideStep
from assembler.proof.joins import write_join_clip
from assembler.release.reuse import ArtifactCache
from assembler.restoration.analysis.dropouts import dropouts_text
from assembler.restoration.chain import Resolved, correct_speed, restored_passage
from assembler.sequence.frames import DISC_RATE_HZ

BEFORE_S, AFTER_S = 3, 9
"""Around the place where the programme begins: noise alone, then music."""
_PEAK = 0.7
AS_IT_CAME, MENDED = "as it came", "mended"


def proof_side(folder: Path, side: Side, file_name: str, reuse: ArtifactCache) -> ProofSide:
    """Give what the proof shows of a side, its clips written into a folder.

    Parameters
    ----------
    folder
        To write into; it is made where there is something to write.
    side
        The side.
    file_name
        What its clips' names begin with.
    reuse
        Finished work.
    """
    clips: dict[str, str] = {}
    if side.account and side.account["steps"]:
        folder.mkdir(parents=True, exist_ok=True)
        clips = make_side_clips(folder, side, file_name, reuse)
    steps = (
        SideStep(told["done"], told.get("measure"), told.get("before"), told.get("after"))
        for told in side.account.get("steps", ())
    )
    notes = side.transfer.notes or ""
    dropouts = dropouts_text(side.account.get("dropouts", ()))
    paths = side.transfer.paths
    return ProofSide(side.name, paths, side.facts, notes, tuple(steps), clips, dropouts)


def make_side_clips(
    folder: Path, side: Side, file_name: str, reuse: ArtifactCache
) -> dict[str, str]:
    """Write a side's clips, all at one gain, so that only the mending is heard.

    Parameters
    ----------
    folder
        To write into.
    side
        A side that was mended.
    file_name
        What the clips' names begin with.
    reuse
        Finished work.

    Returns
    -------
    dict
        File name by what it is: `AS_IT_CAME`, `MENDED`, ``without hum`` and so on.
    """
    settled = Resolved.from_json(side.account["settled"])
    steps = list(settled.values())
    kinds: dict[str, tuple[str, ...] | None] = {AS_IT_CAME: None, MENDED: ()}
    kinds |= {f"without {step}": (step,) for step in steps}

    @cache
    def excerpt(without: tuple[str, ...] | None) -> NDArray[Any]:
        return _excerpt(side, settled, without)

    def write(without: tuple[str, ...] | None, path: Path) -> None:
        gain = _PEAK / max(_peak(excerpt(kind)) for kind in (None, ()))
        words = np.rint(excerpt(without) * (gain * 32767))
        write_join_clip(np.clip(words, -32768, 32767).astype(np.int16), path)

    made = {}
    for what, name in clip_names(file_name, steps).items():
        without = kinds[what]
        parts = {"mending": json.dumps(side.account["settled"]), "left out": without}
        key = named_key("side clip", parts, [str(side.recording.key)])
        reuse.file(folder / name, key, partial(write, without))
        made[what] = name
    return made


def clip_names(file_name: str, steps: Sequence[str]) -> dict[str, str]:
    """Return the names of a side's clips by what they are: none of a side that was left as it was.

    Parameters
    ----------
    file_name
        What they begin with.
    steps
        Of its restoration.
    """
    kinds = [AS_IT_CAME, MENDED] if steps else []
    if len(steps) > 1:
        kinds += [f"without {step}" for step in steps]
    return {what: f"{file_name} - {what}.mp3" for what in kinds}


def _excerpt(side: Side, settled: Resolved, without: tuple[str, ...] | None) -> NDArray[Any]:
    """Give the excerpt at the disc's rate, mended but for some steps; None: as it came."""
    original, rate_hz = side.original, side.original.rate_hz
    begins = round((side.account["begins_s"] or 0) * rate_hz)
    start = max(0, begins - BEFORE_S * rate_hz)
    end = min(original.frames, begins + AFTER_S * rate_hz)
    if without is None:
        sound: Samples = np.concatenate(list(original.blocks(start, end)))
    else:
        mended = restored_passage(original, settled, start, end, without)
        if "speed" not in without:
            mended = correct_speed(mended, rate_hz, settled)
        sound = np.concatenate(list(mended))
    excerpt: NDArray[Any] = soxr.resample(sound, rate_hz, DISC_RATE_HZ, quality="VHQ")
    return excerpt


def _peak(sound: NDArray[Any]) -> float:
    return max(float(np.abs(sound).max(initial=0)), 1e-6)
