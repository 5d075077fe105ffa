"""The report of a build of some deliverables: the entries of those that it kept."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from assembler.errors import AssemblerError
from assembler.finished.finished import open_finished
from assembler.finished.release_folder import REPORT
from assembler.finished.report_form import ReleaseReport, TrackEntry
from assembler.mastering.plan import Room


def with_kept_rooms(
    report: ReleaseReport, made: Iterable[Room], kept: Sequence[Room], last_release: Path
) -> tuple[ReleaseReport, list[Room]]:
    """Add what each deliverable was made from, and the entries of those that are kept.

    Parameters
    ----------
    report
        The report of what was made.
    made, kept
        The deliverables that this build made, and those that it kept from the last release.
    last_release
        The last release's folder.

    Returns
    -------
    report, stale
        The completed report, and the kept deliverables that are stale: made from another manifest
        or other sources.

    Raises
    ------
    AssemblerError
        The last release's report does not say what they were made from.
    """
    made_from = dict.fromkeys(made, report.inputs)
    if not kept:
        return report.model_copy(update={"made_from": made_from}), []
    try:
        last = open_finished(last_release).report
        made_from |= {room: last.made_from[room] for room in kept}
    except (AssemblerError, KeyError) as error:
        raise AssemblerError(
            f"{last_release / REPORT}: does not say what {', '.join(kept)} was made from: build "
            "without --only"
        ) from error
    report = report.model_copy(update={"made_from": made_from})
    stale = [room for room in kept if made_from[room] != report.inputs]
    for room in kept:
        if room not in stale:
            report = _with_kept_room(report, room, last)
    return report, stale


def _with_kept_room(report: ReleaseReport, room: Room, last: ReleaseReport) -> ReleaseReport:
    """Return a report with the last report's entries of a deliverable that is kept."""
    tracks = [
        _with_kept_track(track, room, old)
        for track, old in zip(report.tracks, last.tracks, strict=True)
    ]
    update: dict[str, Any] = {"tracks": tracks}
    if room == "download":
        update["formats"] = last.formats
    if room == "proof":
        update |= {"proof_of": last.proof_of, "sound": last.sound, "mailed": last.mailed}
        update["changes"] = last.changes
    return report.model_copy(update=update)


def _with_kept_track(track: TrackEntry, room: Room, last: TrackEntry) -> TrackEntry:
    if room == "proof":
        source = track.source.model_copy(update={"measured": last.source.measured})
        return track.model_copy(update={"source": source})
    if room == "paper":
        return track
    keys = ("gain_db", "most_limiting_db", "limiting", "compression")
    missing = [key for key in keys if getattr(track, key) is None]
    update = {key: getattr(last, key) for key in missing if key in last.model_fields_set}
    if room == "download" and last.sets:
        update["sets"] = last.sets
    return track.model_copy(update={**update, room: getattr(last, room)})
