"""What a build reports: the contents of report.json, which report.txt says as a text."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import assembler
from assembler.audio.digest import file_digest
from assembler.cache.store import MAKERS, METHOD
from assembler.errors import AssemblerError
from assembler.file_names import utf_8_name
from assembler.finished.finished import open_finished
from assembler.finished.release_folder import REPORT, REPORT_TEXT, release_files
from assembler.finished.report_form import MadeWith, Report
from assembler.finished.report_text import report_text
from assembler.manifest.transfers import Restoration
from assembler.mastering.levels import gain_reduction_json, levels_json
from assembler.mastering.loudness_match import TrackGain
from assembler.mastering.plan import Plan, Room
from assembler.mastering.render import FinishedTrack
from assembler.preflight.sections import TrackSection
from assembler.preflight.sides import Side

_PACKAGES = sorted((*MAKERS, "reportlab"))
"""Packages that make what is delivered: sound, coded files, tags, pictures and paper."""


@dataclass(frozen=True)
class Result:
    """One mastering of the whole release: its tracks in order, and what the match came to."""

    tracks: tuple[FinishedTrack, ...]
    gains: tuple[TrackGain, ...]


def report_content(
    plan: Plan,
    told: Mapping[str, Result],
    formats: Mapping[str, Any],
) -> dict[str, Any]:
    """Give what `report.json` holds: no dates, no paths of this machine.

    Parameters
    ----------
    plan
        What was made.
    told
        The masterings whose levels are told, by deliverable: disc, download.
    formats
        What became of each download format.
    """
    manifest = plan.report.source.manifest
    checked = plan.report.as_json()
    version_now, made_now = made_with()
    return {
        "assembler": version_now,
        "made_with": made_now,
        "ok": True,
        "name": plan.name,
        "manifest": utf_8_name(plan.report.source.path.name),
        "release": manifest.release.model_dump(),
        "rooms": sorted(plan.rooms),
        "inputs": _inputs(plan),
        "disc": checked["disc"] if manifest.disc.make else None,
        "discs": checked["discs"] if manifest.disc.make else [],
        "level": {
            "disc": manifest.level_of("disc").model_dump(),
            "download": manifest.level_of("download").model_dump(),
        },
        "dither": manifest.disc.dither,
        "sides": [_side(side) for side in plan.report.sides],
        "findings": [],
        "formats": dict(formats),
        "tracks": [
            {**track, **_track_content(plan, index, told)}
            for index, track in enumerate(checked["tracks"])
        ],
    }


def made_with() -> tuple[str, MadeWith]:
    """Give the version of this program, and those of its method and its packages."""
    packages = {name: version(name) for name in _PACKAGES}
    return assembler.__version__, {"method": METHOD, "packages": packages}


def write_report(folder: Path, content: dict[str, Any], digest: Callable[[Path], str]) -> None:
    """Write `report.json` and `report.txt`, and tell in both the digests of what is delivered.

    Parameters
    ----------
    folder
        The release, with all that is delivered in it.
    content
        What `report_content` gave; the digests are put into it.
    digest
        Gives a file's SHA-256.
    """
    content["files"] = {name: digest(folder / name) for name in release_files(folder)}
    as_json = json.dumps(content, indent=2, ensure_ascii=False) + "\n"
    for name, text in ((REPORT, as_json), (REPORT_TEXT, report_text(content))):
        (folder / name).write_bytes(text.encode("utf-8", "backslashreplace"))


def keep_accounts(
    content: dict[str, Any], made: Iterable[Room], kept: Iterable[Room], last_release: Path
) -> list[Room]:
    """Put into a report what each deliverable was made from, and the levels of those that are kept.

    Parameters
    ----------
    content
        What `report_content` gave.
    made, kept
        The deliverables that this build made, and those that it kept from the last release.
    last_release
        Its folder.

    Returns
    -------
    list of str
        The kept deliverables that are stale: made from another manifest or other sources.

    Raises
    ------
    AssemblerError
        The last release's report does not say what they were made from.
    """
    content["made_from"] = dict.fromkeys(made, content["inputs"])
    kept = list(kept)
    if not kept:
        return []
    try:
        last = open_finished(last_release).report
        content["made_from"] |= {room: last["made_from"][room] for room in kept}
    except (AssemblerError, KeyError) as error:
        raise AssemblerError(
            f"{last_release / REPORT}: does not say what {', '.join(kept)} was made from: build "
            "without --only"
        ) from error
    stale = [room for room in kept if content["made_from"][room] != content["inputs"]]
    for room in kept:
        if room not in stale:
            _keep_account(content, room, last)
    return stale


def _keep_account(content: dict[str, Any], room: Room, last: Report) -> None:
    """Take over what the last report says of a deliverable that is kept as it was."""
    if room == "download":
        content["formats"] = last["formats"]
    if room == "proof":
        content["proof_of"] = last["proof_of"]
        for track, told in zip(content["tracks"], last["tracks"], strict=True):
            track["source"]["measured"] = told["source"]["measured"]
    if room in ("disc", "download"):
        for track, told in zip(content["tracks"], last["tracks"], strict=True):
            track[room] = told[room]
            for key in ("gain_db", "most_limiting_db", "limiting"):
                if track[key] is None:
                    track[key] = told[key]


def _inputs(plan: Plan) -> dict[str, str]:
    """Give digests of the manifest's contents and of all sources', covers among them."""
    source = plan.report.source
    release, hidden = source.manifest.release, plan.report.hidden
    sections = (*plan.report.sections, *((hidden,) if hidden else ()))
    sounds = [sha256 for section in sections for sha256 in section.recording.sha256s]
    pictures = [source.resolve(n) for n in (release.front_cover, release.back_cover) if n]
    told = [*sounds, *map(file_digest, pictures)]
    sources = hashlib.sha256("\n".join(told).encode()).hexdigest()
    return {"manifest": source.digest, "sources": sources}


def _track_content(plan: Plan, index: int, told: Mapping[str, Result]) -> dict[str, Any]:
    section = plan.report.sections[index]
    tracks = {deliverable: result.tracks[index] for deliverable, result in told.items()}
    first = next(iter(tracks.values()), None)
    return {
        "source": {
            "files": list(section.names),
            "sha256": "+".join(section.recording.sha256s),
            "sample_rate_hz": section.recording.rate_hz,
            "start_sample": section.span_in_source[0],
            "end_sample": section.span_in_source[1],
            "came_in": _came_in(section),
            "measured": None,
        },
        "done": _done(section),
        "gain_db": round(first.gain_db, 3) if first else None,
        "disc": _levels(tracks.get("disc"), plan.told_bits("disc")),
        "download": _levels(tracks.get("download"), plan.told_bits("download")),
        "most_limiting_db": round(first.limiting.most_db, 3) if first else None,
        "limiting": gain_reduction_json(first) if first else None,
    }


def _side(side: Side) -> dict[str, Any]:
    """Tell where a tape side came from and what was mended in it, in order."""
    return {
        "name": side.name,
        "files": list(side.transfer.paths),
        **dict(side.facts),
        "notes": side.transfer.notes,
        "steps": side.account.get("steps", []),
        "unresolved": side.account.get("unresolved", []),
        "reasons": side.account.get("reasons", {}),
        "dropouts": side.account.get("dropouts", []),
        "trim_silence": side.transfer.restoration.trim_silence,
    }


def _came_in(section: TrackSection) -> list[dict[str, Any]]:
    """Tell of each file of a track what it holds."""
    return [
        {
            "file": name,
            "kind": file.kind,
            "sample_rate_hz": file.rate_hz,
            "bits": file.bits,
            "channels": file.channels,
            "samples": file.frames,
        }
        for name, file in zip(section.names, section.recording.source_files, strict=True)
    ]


def _done(section: TrackSection) -> dict[str, Any]:
    """Tell what the manifest asks to be done to a track's sound, besides its level."""
    track, side = section.track, section.side
    restoration = side.transfer.restoration if side else Restoration()
    asked = restoration.model_dump(
        mode="json", by_alias=True, exclude_none=True, exclude_defaults=True
    )
    return {
        "side": side.name if side else None,
        "mended": asked,
        "equaliser": [band.model_dump(exclude_none=True) for band in track.equaliser],
        "fade_in_s": float(section.fade_in_s),
        "fade_out_s": float(section.fade_out_s),
        "fade_shape": track.fade_shape,
        "overlap_s": float(track.overlap or 0),
        "trim_db": track.trim,
    }


def _levels(track: FinishedTrack | None, bits: int) -> dict[str, Any] | None:
    return {**levels_json(track, bits), "limiting": gain_reduction_json(track)} if track else None
