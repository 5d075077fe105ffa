"""A build's own account, for whoever asked for it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.findings import Finding


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
    reasons
        Of each file, why it was made anew or reused.
    """

    release_dir: Path
    findings: tuple[Finding, ...]
    made: tuple[str, ...]
    reused: tuple[str, ...]
    content: dict[str, Any]
    reasons: dict[str, str]

    def as_json(self) -> dict[str, Any]:
        """Give the report as plain data for ``--json``."""
        return {
            "ok": True,
            "findings": [finding.as_json() for finding in self.findings],
            "release_dir": str(self.release_dir),
            "made": list(self.made),
            "reused": list(self.reused),
            "tracks": self.content["tracks"],
            "reasons": self.reasons,
        }
