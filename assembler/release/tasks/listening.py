"""The tasks of what the proof plays and draws: measurements, clips of joins, listening copies."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from assembler.download.formats import facts_of
from assembler.mastering.plan import MasterSpec, Plan
from assembler.mastering.render import FinishedTrack
from assembler.preflight.editions import Edition
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.progress import CLIP_S
from assembler.release.tasks.clips import Clip, clips, write_listening_copy
from assembler.release.tasks.graph import Task
from assembler.release.tasks.masters import ImageTasks, Master, MasterTasks
from assembler.release.tasks.proofs import listened_format, proof_spec, reading_tasks


def listening_tasks(
    plan: Plan,
    masters: Mapping[MasterSpec, MasterTasks],
    discs: ImageTasks,
    folder: Path,
    cache: ArtifactCache,
) -> list[Task[Any]]:
    """Return the tasks of the proof's measurements, clips and listening copies.

    Parameters
    ----------
    plan
        What to make.
    masters, discs
        The tasks of the sound.
    folder
        To write into.
    cache
        Finished work.
    """
    spec = proof_spec(plan)
    if spec is None:
        return []
    tasks, bits, edition = masters[spec[0]], spec[1], plan.edition(spec[0])
    found = reading_tasks(plan, tasks, discs, bits, cache)
    if plan.joins:
        (folder / "joins").mkdir(parents=True)
        found += [
            _clip_task(clip, edition, tasks, cache)
            for clip in clips(folder / "joins", edition.discs)
        ]
    if listened_format(plan) is None:
        (folder / "tracks").mkdir(parents=True)
        copied = [(index, spec[0], bits) for index in edition.tracks]
        for index, name in plan.others.items():
            copied.append((index, plan.downloads[name], facts_of(name).bits))
        for number, (index, of, own_bits) in enumerate(copied, 1):
            place = of.tracks.index(index)

            def copy(
                master: Master, number: int = number, place: int = place, bits: int = own_bits
            ) -> Path:
                track = master.tracks[place]
                return write_listening_copy(folder / "tracks", number, track, bits, cache)

            title = plan.report.sections[index].track.full_title
            found.append(Task(f"listening copy: {title}", copy, (masters[of].whole,), CLIP_S))
    return found


def _clip_task(
    clip: Clip, edition: Edition, tasks: MasterTasks, cache: ArtifactCache
) -> Task[Path]:
    """Return the task of a join's clip, which is cut from the passages of its two tracks."""
    passages = [p for p in edition.passages if not {*clip.indices}.isdisjoint(p.indices)]

    def write(*found: list[FinishedTrack]) -> Path:
        by_index = {track.section.index: track for tracks in found for track in tracks}
        return clip.write([by_index[edition.tracks[index]] for index in clip.indices], cache)

    own = tuple(tasks.passages[passage] for passage in passages)
    return Task(f"clip of a join: {clip.path.stem}", write, own, CLIP_S)
