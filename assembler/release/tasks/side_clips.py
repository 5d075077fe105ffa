"""Clips of a restored side for the proof: the source, restored, and without each step."""

from __future__ import annotations

import functools
import json
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray

from assembler.cache.keys import named_key
from assembler.dsp.blocks import Samples
from assembler.preflight.sides import Side
from assembler.proof.content import ProofSide
from assembler.proof.joins import write_join_clip
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.track_report import side_report
from assembler.restoration.chain import Resolved, correct_speed, restored_passage
from assembler.sequence.frames import DISC_RATE_HZ

BEFORE_S, AFTER_S = 3, 9
"""Before and after the start of the programme: noise alone, then music."""
_PEAK = 0.7
SOURCE, RESTORED = "source", "restored"


def proof_side(folder: Path, side: Side, file_name: str, cache: ArtifactCache) -> ProofSide:
    """Return what the proof shows of a side, with its clips written into a folder.

    Parameters
    ----------
    folder
        To write into; it is created if there is something to write.
    side
        The side.
    file_name
        Prefix of its clips' names.
    cache
        Finished work.
    """
    clips: dict[str, str] = {}
    if side.report and side.report["steps"]:
        folder.mkdir(parents=True, exist_ok=True)
        clips = make_side_clips(folder, side, file_name, cache)
    return ProofSide.reported(side_report(side).as_json(), clips)


def make_side_clips(
    folder: Path, side: Side, file_name: str, cache: ArtifactCache
) -> dict[str, str]:
    """Write a side's clips, all at one gain, so that only the restoration differs.

    Parameters
    ----------
    folder
        To write into.
    side
        A restored side.
    file_name
        Prefix of the clips' names.
    cache
        Finished work.

    Returns
    -------
    dict
        File name by kind: `SOURCE`, `RESTORED`, ``without hum`` and so on.
    """
    resolved = Resolved.from_json(side.report["settled"])
    steps = list(resolved.values())
    kinds: dict[str, tuple[str, ...] | None] = {SOURCE: None, RESTORED: ()}
    kinds |= {f"without {step}": (step,) for step in steps}

    @functools.cache
    def excerpt(without: tuple[str, ...] | None) -> NDArray[Any]:
        return _excerpt(side, resolved, without)

    def write(without: tuple[str, ...] | None, path: Path) -> None:
        gain = _PEAK / max(_peak(excerpt(kind)) for kind in (None, ()))
        pcm = np.rint(excerpt(without) * (gain * 32767))
        write_join_clip(np.clip(pcm, -32768, 32767).astype(np.int16), path)

    clips = {}
    for kind, name in clip_names(file_name, steps).items():
        without = kinds[kind]
        parts = {"restoration": json.dumps(side.report["settled"]), "left out": without}
        key = named_key("side clip", parts, [str(side.recording.key)])
        cache.cached_release_file(folder / name, key, partial(write, without))
        clips[kind] = name
    return clips


def clip_names(file_name: str, steps: Sequence[str]) -> dict[str, str]:
    """Return the names of a side's clips by kind; empty for a side without restoration.

    Parameters
    ----------
    file_name
        Prefix.
    steps
        Of its restoration.
    """
    kinds = [SOURCE, RESTORED] if steps else []
    if len(steps) > 1:
        kinds += [f"without {step}" for step in steps]
    return {kind: f"{file_name} - {kind}.mp3" for kind in kinds}


def _excerpt(side: Side, resolved: Resolved, without: tuple[str, ...] | None) -> NDArray[Any]:
    """Return the excerpt at the disc's rate, restored without some steps; None: the source."""
    original, rate_hz = side.original, side.original.rate_hz
    begins = round((side.report["begins_s"] or 0) * rate_hz)
    start = max(0, begins - BEFORE_S * rate_hz)
    end = min(original.frames, begins + AFTER_S * rate_hz)
    if without is None:
        sound: Samples = np.concatenate(list(original.blocks(start, end)))
    else:
        restored = restored_passage(original, resolved, start, end, without)
        if "speed" not in without:
            restored = correct_speed(restored, rate_hz, resolved)
        sound = np.concatenate(list(restored))
    excerpt: NDArray[Any] = soxr.resample(sound, rate_hz, DISC_RATE_HZ, quality="VHQ")
    return excerpt


def _peak(sound: NDArray[Any]) -> float:
    return max(float(np.abs(sound).max(initial=0)), 1e-6)
