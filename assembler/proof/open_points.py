"""Open points of a release in plain words for the artist; all findings are in report.txt."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from assembler.findings import Finding
from assembler.text import number_ranges

_OF_TRACKS = {
    "lossy-source": (
        "comes from a compressed file",
        "come from compressed files",
        "If you have the original recording, please send it.",
    ),
    "heavy-limiting": (
        "is so loud that its peaks are reduced by more than 3 dB",
        "are so loud that their peaks are reduced by more than 3 dB",
        "Check that the loudest parts still sound open.",
    ),
    "range-lost": (
        "is compressed so much that its loud and quiet parts are much closer to each other",
        "are compressed so much that their loud and quiet parts are much closer to each other",
        "Check that this is what you want.",
    ),
    "large-gain": (
        "was recorded very quietly, so its noise becomes louder too",
        "were recorded very quietly, so their noise becomes louder too",
        "Listen to the quiet parts.",
    ),
    "gain-step-in-segue": (
        "begins without a gap, and the level changes there",
        "begin without a gap, and the level changes there",
        "Listen to that join.",
    ),
    "respelt-for-disc": (
        "appears in plain letters on the display of a CD player",
        "appear in plain letters on the display of a CD player",
        "The title is unchanged everywhere else.",
    ),
}
"""By finding: the fact for one track and for several, and what the artist can do."""
_OF_RELEASE = {
    "cover-not-square": "The front cover is not square. Shops ask for a square picture.",
    "small-cover": "The front cover is small. Shops ask for at least 3000 × 3000 pixels.",
    "approved-release-changed": "The release has changed since you approved it.",
}


def open_points(findings: Sequence[Finding]) -> Iterator[str]:
    """Return the findings that the artist can judge or answer, each kind once.

    Parameters
    ----------
    findings
        Of the check and of the build. Missing data is left out: the sheet lists it.
    """
    for code, (one, several, action) in _OF_TRACKS.items():
        places = [finding.where for finding in findings if finding.code == code]
        matches = [re.match(r"tracks\[(\d+)\]", place) for place in places]
        numbers = sorted({int(match[1]) + 1 for match in matches if match})
        if numbers:
            who = f"Track {numbers[0]} {one}"
            if len(numbers) > 1:
                who = f"Tracks {number_ranges(numbers)} {several}"
            yield f"{who}. {action}"
    codes = {finding.code for finding in findings}
    for code, sentence in _OF_RELEASE.items():
        if code in codes:
            yield sentence
