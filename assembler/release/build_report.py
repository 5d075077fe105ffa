"""The result of a build."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.findings import Finding
from assembler.finished.report_form import ReleaseReport


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
        Files, by their paths in the folder.
    report
        The content of `report.json`.
    reasons
        Why each file was made again or reused.
    tasks
        The tasks that made something which the cache did not have, by name.
    """

    release_dir: Path
    findings: tuple[Finding, ...]
    made: tuple[str, ...]
    reused: tuple[str, ...]
    report: ReleaseReport
    reasons: dict[str, str]
    tasks: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the result as plain data for ``--json``."""
        editions = [edition.as_json() for edition in self.report.editions]
        return {
            "ok": True,
            "findings": [finding.as_json() for finding in self.findings],
            "release_dir": str(self.release_dir),
            "made": list(self.made),
            "reused": list(self.reused),
            "tracks": [track.as_json() for track in self.report.tracks],
            **({"editions": editions} if editions else {}),
            "reasons": self.reasons,
            "tasks": list(self.tasks),
        }
