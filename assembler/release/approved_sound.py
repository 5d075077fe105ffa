"""What a proof hands to the approval file: each track's sound, and the gains of every master."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from assembler.findings import Finding
from assembler.finished.report_form import HoldReport
from assembler.mastering.plan import MasterSpec, Plan
from assembler.preflight.hold import approved_track, tracks_text
from assembler.proof.approval import ApprovedMaster, ApprovedSound
from assembler.release.changes import pcm_digest
from assembler.release.tasks.masters import Master
from assembler.text import signed_db

MOVED_DB = 0.005
"""Gains that differ by less are the same in a report."""


def approved_sound(
    plan: Plan, masters: Mapping[MasterSpec, Master], shown: Master
) -> ApprovedSound:
    """Return the sounds and gains of a build, for its proof page.

    Parameters
    ----------
    plan
        What was made.
    masters
        All of it.
    shown
        The master that the proof shows: its tracks are first.
    """
    manifest = plan.report.source.manifest
    tracks = {track.section.index: track for track in shown.tracks}
    for index, name in plan.others.items():
        of_set = masters[plan.downloads[name]].tracks
        tracks[index] = next(track for track in of_set if track.section.index == index)
    return ApprovedSound(
        tracks=tuple(
            approved_track(manifest, track.section).model_copy(update={"pcm": pcm_digest(track)})
            for track in tracks.values()
        ),
        masters=tuple(
            _approved_master(name, spec, masters[spec], tracks)
            for spec in masters
            for name in plan.uses(spec)
        ),
    )


def _approved_master(
    name: str, spec: MasterSpec, master: Master, indices: Iterable[int]
) -> ApprovedMaster:
    """Return the gains of a master, one per index in the manifest; None where it has no track."""
    by_index = {track.section.index: track for track in master.tracks}
    tracks = [by_index.get(index) for index in indices]
    readings = [next(iter(track.readings.values())) if track else None for track in tracks]
    return ApprovedMaster(
        name=name,
        match=spec.level.match,
        target=spec.level.target,
        ceiling=spec.level.ceiling,
        album_gain_db=master.gains[0].album_db,
        gains_db=tuple(track.gain_db if track else None for track in tracks),
        lufs=tuple(reading.integrated_lufs if reading else None for reading in readings),
    )


def hold_report(plan: Plan, index: int, masters: Mapping[str, Master]) -> HoldReport | None:
    """Return how a track is held, for its entry in the report; None without a hold."""
    hold = plan.report.hold
    if hold is None:
        return None
    held = hold.tracks[index]
    moves = {name: _moves_db(master).get(index) for name, master in masters.items()}
    return HoldReport(
        kind=held.kind if held else "new",
        approved_title=hold.sound.tracks[held.approved].title if held else None,
        moves_db={name: round(move, 3) for name, move in moves.items() if move is not None},
    )


def moved_findings(plan: Plan, masters: Mapping[str, Master]) -> Iterator[Finding]:
    """Report what would have moved without the hold, and deliverables that nothing is held of."""
    if plan.report.hold is None:
        return
    source = plan.report.source
    for name, master in masters.items():
        moves = _moves_db(master)
        if set(moves.values()) == {None}:
            message = (
                f"{name}: nothing is held: the approval has no gains for this deliverable at this "
                "level, or it is not matched"
            )
            yield source.finding("warning", "not-held", ("level", "hold"), message)
            continue
        by_move: dict[float, list[int]] = {}
        for index, move_db in moves.items():
            if move_db is not None and abs(move_db) >= MOVED_DB:
                by_move.setdefault(round(move_db, 2), []).append(index)
        texts = [f"{tracks_text(places)} by {signed_db(move)}" for move, places in by_move.items()]
        what = f"the gain of {', '.join(texts)}" if texts else "no gain"
        message = f"{name}: without the hold, {what} would change"
        yield source.finding("note", "held-back", ("level", "hold"), message)


def _moves_db(master: Master) -> dict[int, float | None]:
    """Return by how much each track's gain would change without the hold; None without one."""
    return {
        track.section.index: None if gain.unheld_db is None else gain.unheld_db - track.gain_db
        for track, gain in zip(master.tracks, master.gains, strict=True)
    }
