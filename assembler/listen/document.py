"""What the page shows: the tracks with their times, gains and findings, as plain data."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from assembler.listen.decided import Decided
from assembler.listen.known_page import KnownPage
from assembler.listen.measured_sides import MeasuredSides
from assembler.listen.revisions import Revision, Revisions
from assembler.listen.side_document import sides_json
from assembler.listen.sound import Sound
from assembler.listen.stretch import NoSoundError
from assembler.listen.tone_fields import levels_json, tone_json
from assembler.manifest import Manifest, Track
from assembler.manifest.editions import edition_tracks, with_tracks
from assembler.mastering.levels import tone_json as match_json
from assembler.mastering.render import FinishedTrack
from assembler.preflight.check import CheckReport, disc_json
from assembler.preflight.sections import gap_before
from assembler.sequence import TrackPlace
from assembler.text import FRAMES_PER_SECOND

LOUDEST_S = 10
"""Each track is judged by its loudest 10 s."""
_BLOCKS_PER_SECOND = 10
_SHOWN = ("gap", "overlap", "start", "end", "trim", "fade_in", "fade_out")


def document(
    revisions: Revisions, sound: Sound, sides: MeasuredSides, decided: Decided, known: KnownPage
) -> dict[str, Any]:
    """Return the whole page's data: one revision, with what is settled of it."""
    revision = revisions.current
    found = {
        "revision": revision.number,
        "manifest": str(revisions.path),
        "ok": revision.ok and not sound.settled.findings,
        "finishing": sound.is_finishing and not sound.settled.findings,
        "readable": revision.text is not None,
        "can_undo": revisions.can_undo,
        "can_redo": revisions.can_redo,
        "decided": decided.texts,
        "findings": [one.as_json() for one in (*revision.findings, *sound.settled.findings)],
    }
    report = revision.report
    shown = sides_json(report, sides) if report else []
    return {**found, **_release(revision, sound, known), "sides": shown}


def _release(revision: Revision, sound: Sound, known: KnownPage) -> dict[str, Any]:
    report = revision.report
    if report is None:
        return {"artist": "", "title": "", "discs": [], "tracks": [], "level": {}, "levels": []}
    manifest = report.source.manifest
    limit = manifest.disc.limit
    return {
        "artist": manifest.release.artist,
        "title": manifest.release.title,
        "discs": [disc_json(disc, limit) for disc in report.discs],
        "makes_disc": manifest.disc.make,
        "level": manifest.level.model_dump(mode="json"),
        "levels": levels_json(manifest),
        "tracks": [
            _track(report, index, track, sound, known.readings(revision.text, index))
            for index, track in enumerate(manifest.tracks)
        ],
    }


def _track(
    report: CheckReport,
    index: int,
    track: Track,
    sound: Sound,
    readings: Mapping[str, Any] | None,
) -> dict[str, Any]:
    finished = sound.settled.tracks
    return {
        "index": index,
        "title": track.full_title,
        "base_title": track.title,
        "values": {name: _plain(getattr(track, name)) for name in _SHOWN},
        "default_gap": float(report.source.manifest.disc.gap),
        "tone": tone_json(index, track),
        "tone_match": _tone_match(sound, index),
        "only_on": f"{' and '.join(track.on)} only" if track.on else "",
        **_place(report, index),
        **_source(report, index),
        **_finished(finished.get(("track", index)), sound.last("track", track), readings),
        "join_settled": ("join", index) in finished,
    }


def _tone_match(sound: Sound, index: int) -> dict[str, Any] | None:
    """Return a track's tone match as far as it is measured; None where it has none."""
    try:
        tone = sound.section(index).tone
    except NoSoundError:
        return None
    return match_json(tone) if tone else None


def _place(report: CheckReport, index: int) -> dict[str, Any]:
    """Return where a track is on its disc."""
    place: TrackPlace
    for disc in report.discs:
        for place in disc.places:
            if place.index == index:
                return {
                    "number": place.number,
                    "disc_number": disc.number,
                    "start_frame": place.start_frame,
                    "frames": place.frames,
                    "gap_frames": place.gap_frames,
                    "gap_s": place.gap_frames / FRAMES_PER_SECOND,
                }
    return _place_without_times(report.source.manifest, index)


def _place_without_times(manifest: Manifest, index: int) -> dict[str, Any]:
    """Return which track of which disc one is: an error of another track changes nothing of it."""
    indices = next(iter(edition_tracks(manifest).values()))
    edition, disc, number = with_tracks(manifest, indices), 1, 0
    for own, (one, track) in enumerate(zip(indices, edition.tracks, strict=True)):
        if track.disc is not None:
            disc, number = track.disc, 0
        number += 1
        if one == index:
            gap_s = float(gap_before(edition, own))
            return {"number": number, "disc_number": disc, "gap_s": gap_s}
    return {"number": index + 1, "disc_number": None}


def _source(report: CheckReport, index: int) -> dict[str, Any]:
    section = report.found[index]
    if section is None:
        return {"source": None}
    side = section.side
    recording = side.original if side else section.recording
    rate_hz = recording.rate_hz
    start, end = section.span_in_source
    return {
        "source": {
            "names": list(section.names),
            "side": side.name if side else None,
            "factor": float(side.transfer.restoration.factor) if side else 1.0,
            "rate_hz": rate_hz,
            "length_s": recording.frames / rate_hz,
            "start_s": start / rate_hz,
            "end_s": end / rate_hz,
            "fade_in_s": float(section.fade_in_s),
            "fade_out_s": float(section.fade_out_s),
        }
    }


def _finished(
    track: FinishedTrack | None, last: FinishedTrack | None, readings: Mapping[str, Any] | None
) -> dict[str, Any]:
    """Return a finished track's readings; before that those of the last session, if it is as then,
    or where its loudest part was last."""
    if track is None:
        loudest_s = _loudest_from_s(last) if last else 0.0
        return {"settled": False, "loudest_from_s": loudest_s, **(readings or {})}
    reading = track.readings[max(track.readings)]
    return {
        "settled": True,
        "gain_db": round(track.gain_db, 3),
        "length_s": track.length / track.rate_hz,
        "integrated_lufs": reading.integrated_lufs,
        "true_peak_dbtp": reading.true_peak_dbtp,
        "max_gain_reduction_db": round(track.gain_reduction.most_db, 2),
        "loudest_from_s": _loudest_from_s(track),
    }


def _loudest_from_s(track: FinishedTrack) -> float:
    return loudest_from_s(track.gating_blocks[max(track.gating_blocks)])


def loudest_from_s(gating_blocks: np.ndarray[Any, Any]) -> float:
    """Return where the loudest `LOUDEST_S` seconds of a track begin.

    Parameters
    ----------
    gating_blocks
        Mean energies of blocks of 400 ms, one every 100 ms (ITU-R BS.1770).
    """
    length = LOUDEST_S * _BLOCKS_PER_SECOND
    if len(gating_blocks) <= length:
        return 0.0
    sums = np.convolve(gating_blocks, np.ones(length), "valid")
    return float(np.argmax(sums)) / _BLOCKS_PER_SECOND


def _plain(value: Any) -> float | None:
    return None if value is None else round(float(value), 6)
