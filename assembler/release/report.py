"""What a build reports: the contents of report.json, and the build's own account."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import assembler
from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.release.levels import levels_json, limiting_json
from assembler.release.mastering import Mastered
from assembler.release.plan import Plan
from assembler.release.release_folder import REPORT
from assembler.sources import Recording


@dataclass(frozen=True)
class BuildReport:
    """A finished build.

    Attributes
    ----------
    release_dir
        The release's folder.
    findings
        Of the check and of the mastering.
    made, reused
        Files, by their paths inside the folder.
    content
        What `report.json` holds.
    """

    release_dir: Path
    findings: tuple[Finding, ...]
    made: tuple[str, ...]
    reused: tuple[str, ...]
    content: dict[str, Any]

    def as_json(self) -> dict[str, Any]:
        """Give the report as plain data for ``--json``."""
        return {
            "ok": True,
            "findings": [finding.as_json() for finding in self.findings],
            "release_dir": str(self.release_dir),
            "made": list(self.made),
            "reused": list(self.reused),
            "tracks": self.content["tracks"],
        }


@dataclass(frozen=True)
class Result:
    """One mastering of the whole release: its tracks in order, and what was asked of each."""

    tracks: tuple[Mastered, ...]
    asked_lufs: tuple[float | None, ...]


def report_content(
    plan: Plan,
    findings: tuple[Finding, ...],
    told: Mapping[str, Result],
    formats: Mapping[str, Any],
) -> dict[str, Any]:
    """Give what `report.json` holds: no dates, no paths of this machine.

    Parameters
    ----------
    plan
        What was made.
    findings
        All that was found.
    told
        The masterings whose levels are told, by deliverable: disc, download.
    formats
        What became of each download format.
    """
    manifest = plan.report.source.manifest
    checked = plan.report.as_json()
    recordings = {section.recording for section in plan.report.sections}
    digests = {recording: recording.digest() for recording in recordings}
    return {
        "assembler": assembler.__version__,
        "ok": True,
        "name": plan.name,
        "release": manifest.release.model_dump(),
        "rooms": sorted(plan.rooms),
        "disc": checked["disc"] if manifest.disc.make else None,
        "discs": checked["discs"] if manifest.disc.make else [],
        "level": {
            "disc": manifest.level_of("disc").model_dump(),
            "download": manifest.level_of("download").model_dump(),
        },
        "findings": [finding.as_json() for finding in findings],
        "formats": dict(formats),
        "tracks": [
            {**track, **_track_content(plan, index, told, digests)}
            for index, track in enumerate(checked["tracks"])
        ],
    }


def told_formats(last_release: Path) -> dict[str, Any]:
    """Give what the report of the last release tells of its download formats, which are kept."""
    try:
        report = json.loads((last_release / REPORT).read_text(encoding="utf-8"))
        return dict(report["formats"])
    except (OSError, ValueError, KeyError) as error:
        raise AssemblerError(
            f"{last_release / REPORT}: does not tell of the download files: build without --only"
        ) from error


def _track_content(
    plan: Plan, index: int, told: Mapping[str, Result], digests: Mapping[Recording, str]
) -> dict[str, Any]:
    section = plan.report.sections[index]
    tracks = {deliverable: result.tracks[index] for deliverable, result in told.items()}
    first = next(iter(tracks.values()), None)
    return {
        "source": {
            "files": list(section.track.audio.paths),
            "sha256": digests[section.recording],
            "sample_rate_hz": section.recording.rate_hz,
            "start_sample": section.start,
            "end_sample": section.end,
        },
        "gain_db": round(first.gain_db, 3) if first else None,
        "disc": _levels(tracks.get("disc"), plan.told_bits("disc")),
        "download": _levels(tracks.get("download"), plan.told_bits("download")),
        "most_limiting_db": round(first.limiting.most_db, 3) if first else None,
        "limiting": limiting_json(first) if first else None,
    }


def _levels(track: Mastered | None, bits: int) -> dict[str, float | None] | None:
    return levels_json(track, bits) if track else None
