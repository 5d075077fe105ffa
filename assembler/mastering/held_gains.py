"""Gains under a hold: those of the approved release for what was approved, a match for the rest.

A track whose sound is the approved one keeps its gain exactly. A replaced one is matched to the
loudness that the approved one was delivered at. In an album, a new track gets the album's gain as
it was approved, but is not made louder than the loudest approved track; where each track is matched
by itself, so is a new one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

from assembler.dsp.limiter import LimiterSettings
from assembler.manifest import Level
from assembler.mastering.gain_plan import GainPlan, TrackGain, trims_of
from assembler.mastering.limiting import limiter_of
from assembler.mastering.loudness_match import Run, reach, track_gain
from assembler.mastering.passage import RenderedPassage
from assembler.mastering.track_levels import source_levels
from assembler.preflight.hold import HeldTrack, Hold


@dataclass(frozen=True)
class HeldGain:
    """What one track of a master is held to.

    Attributes
    ----------
    kind
        ``same``: the approved sound keeps its gain. ``replaced``: another sound in its place is
        matched to its loudness.
    gain_db
        The approved gain, with a change of trim since.
    lufs
        Loudness as approved, with a change of trim since; None for silence and short tracks.
    """

    kind: Literal["same", "replaced"]
    gain_db: float
    lufs: float | None


@dataclass(frozen=True)
class HeldMaster:
    """What one master is held to.

    Attributes
    ----------
    tracks
        By index in the manifest; None for a new track.
    album_db
        The album's gain as approved; None where tracks were matched one by one.
    loudest_lufs
        The loudest track as approved, without its trim.
    """

    tracks: tuple[HeldGain | None, ...]
    album_db: float | None
    loudest_lufs: float | None


def held_master(hold: Hold, uses: Sequence[str], level: Level) -> HeldMaster | None:
    """Return what an approval has for a master; None where nothing of it can be held.

    Parameters
    ----------
    hold
        The approved sound and its tracks.
    uses
        What is made from the master: ``disc``, and download formats. One that the approved release
        did not have gets the gains of one at the same level.
    level
        Match, target and ceiling.
    """
    if level.match == "none":
        return None
    masters = hold.sound.masters
    named = (one for use in uses for one in masters if one.name == use)
    settings = (level.match, level.target, level.ceiling)
    alike = (one for one in reversed(masters) if (one.match, one.target, one.ceiling) == settings)
    approved = next((one for found in (named, alike) for one in found), None)
    if approved is None:
        return None

    def held_gain(one: HeldTrack | None) -> HeldGain | None:
        gain_db = approved.gains_db[one.approved] if one else None
        if one is None or gain_db is None:
            return None
        lufs, change_db = approved.lufs[one.approved], one.trim_change_db
        return HeldGain(
            one.kind,
            gain_db + change_db if change_db else gain_db,
            None if lufs is None else lufs + change_db,
        )

    untrimmed = [
        lufs - track.trim_db
        for lufs, track in zip(approved.lufs, hold.sound.tracks, strict=True)
        if lufs is not None
    ]
    return HeldMaster(
        tuple(map(held_gain, hold.tracks)),
        approved.album_gain_db,
        max(untrimmed, default=None),
    )


def hold_gains(
    unheld: Sequence[GainPlan], level: Level, held: HeldMaster, run: Run
) -> list[GainPlan]:
    """Return the gains of a master under a hold.

    Parameters
    ----------
    unheld
        The gains that a match of the whole release finds.
    level
        Match, target and ceiling.
    held
        What the approval has for this master.
    run
        Like `map`; passages are measured in parallel.
    """
    return list(run(partial(_hold_passage, level=level, held=held), unheld))


def _hold_passage(unheld: GainPlan, level: Level, held: HeldMaster) -> GainPlan:
    rendered = unheld.rendered
    aims = [
        _aim(free, held.tracks[section.index], float(section.track.trim), held)
        for free, section in zip(unheld.tracks, rendered.sections, strict=True)
    ]
    targets = {i: aim for i, aim in enumerate(aims) if isinstance(aim, float)}
    fixed = {i: aim for i, aim in enumerate(aims) if isinstance(aim, TrackGain)}
    if targets:
        fixed |= _matched(rendered, targets, fixed, limiter_of(level))
    return GainPlan(
        rendered,
        tuple(
            replace(fixed[i], unheld_db=free.gain_db, album_db=held.album_db)
            for i, free in enumerate(unheld.tracks)
        ),
    )


def _aim(
    free: TrackGain, approved: HeldGain | None, trim: float, held: HeldMaster
) -> TrackGain | float:
    """Return a track's gain where it is known, else the loudness to match it to."""
    lufs = free.source_lufs
    if approved:
        if approved.kind == "replaced" and approved.lufs is not None and lufs is not None:
            return approved.lufs
        return TrackGain(approved.gain_db, None, lufs)
    if held.album_db is None:
        return free
    gain_db = held.album_db + trim
    if lufs is None:
        return TrackGain(gain_db, None, too_short=free.too_short)
    if held.loudest_lufs is not None and lufs + held.album_db > held.loudest_lufs:
        return held.loudest_lufs + trim
    return TrackGain(gain_db, lufs + gain_db, lufs)


def _matched(
    rendered: RenderedPassage,
    targets: dict[int, float],
    fixed: dict[int, TrackGain],
    limiter: LimiterSettings,
) -> dict[int, TrackGain]:
    levels, trims = source_levels(rendered), trims_of(rendered)
    fixed_db = {i: gain.gain_db for i, gain in fixed.items() if gain.gain_db is not None}
    found = reach(rendered, levels, targets, limiter, fixed_db=fixed_db)
    return {i: track_gain(one, targets[i], trims[i], levels[i].lufs) for i, one in found.items()}
