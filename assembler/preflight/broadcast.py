"""Download sets for broadcasters: EBU R 128 (version 5, 2023; from memory).

Target −23.0 LUFS for each programme, so for each track that is sent as one; true peak at most
−1 dBTP. R 128 s1 adds a short-term limit for short items; its text could not be opened, so it is
not checked, as the README says.
"""

from __future__ import annotations

from collections.abc import Iterator

from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.text import compact

TARGET_LUFS = -23.0
HIGHEST_PEAK_DBTP = -1.0


def broadcast_findings(source: ManifestFile) -> Iterator[Finding]:
    """Warn of named sets at the target of EBU R 128 that would not comply with it."""
    for one in source.manifest.made_sets:
        level = source.manifest.level_of(one.edition)
        if one.name is None or level.target != TARGET_LUFS or level.match == "none":
            continue
        loc = source.manifest.place_of_set(one.edition)
        if level.match == "album":
            message = (
                f"{one.name}: with `match: album` only the loudest track reaches −23 LUFS, and "
                "EBU R 128 asks it of each: set `match: track` for this set"
            )
            yield source.finding("warning", "broadcast-match", loc, message)
        if level.ceiling > HIGHEST_PEAK_DBTP:
            message = (
                f"{one.name}: the ceiling is {compact(level.ceiling)} dBTP, and EBU R 128 allows "
                "−1 dBTP: set `ceiling: -1` for this set"
            )
            yield source.finding("warning", "broadcast-ceiling", loc, message)
