"""A finished release, opened to be held against itself."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.disc.cue import disc_stem
from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.manifest import Manifest, load
from assembler.release.release_folder import MANIFEST, REPORT


@dataclass(frozen=True)
class FinishedRelease:
    """A release's folder, the manifest that lies in it, and its report."""

    folder: Path
    manifest: Manifest
    report: dict[str, Any]

    @property
    def tracks(self) -> list[dict[str, Any]]:
        """What the report says of each track, in the manifest's order."""
        return list(self.report["tracks"])

    def tracks_of(self, disc_number: int) -> list[tuple[int, dict[str, Any]]]:
        """Give a disc's tracks, each with its place in the manifest."""
        return [
            (index, track)
            for index, track in enumerate(self.tracks)
            if track["disc_number"] == disc_number
        ]

    def disc_file(self, number: int, suffix: str) -> str:
        """Give the path inside the release of a disc's file."""
        stem = disc_stem(str(self.report["name"]), number, len(self.report["discs"]))
        return f"disc/{stem}{suffix}"


def open_finished(folder: Path) -> FinishedRelease:
    """Open a finished release.

    Raises
    ------
    AssemblerError
        Its report can't be read or is no report of a build.
    """
    try:
        report = json.loads((folder / REPORT).read_text(encoding="utf-8"))
        release = FinishedRelease(folder, load(folder / MANIFEST).manifest, report)
        complete = {"name", "discs", "tracks", "level"} <= set(report)
    except (OSError, ValueError, TypeError) as error:
        raise AssemblerError(
            f"{folder / REPORT}: can't be read: build the release again"
        ) from error
    if not complete:
        raise AssemblerError(f"{folder / REPORT}: is no report of a build: build the release again")
    return release


def disagreement(code: str, name: str, message: str) -> Finding:
    """Make a finding about a file of the release."""
    return Finding("error", code, name, name, 0, message)
