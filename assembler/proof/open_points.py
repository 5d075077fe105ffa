"""What is open on a release, in words for the artist; the engineer's findings are in report.txt."""

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
        "is made so loud that its peaks are turned down by more than 3 dB",
        "are made so loud that their peaks are turned down by more than 3 dB",
        "Listen whether the loudest places still sound open.",
    ),
    "large-gain": (
        "was recorded very quietly, so its noise comes up with it",
        "were recorded very quietly, so their noise comes up with them",
        "Listen to the quiet places.",
    ),
    "gain-step-in-segue": (
        "begins without a gap, and the level changes there",
        "begin without a gap, and the level changes there",
        "Listen to that join.",
    ),
    "respelt-for-disc": (
        "will be spelt in plain letters on the display of a CD player",
        "will be spelt in plain letters on the display of a CD player",
        "All other places have the title as it is.",
    ),
}
"""By finding: what is so of one track and of several, and what the artist can do."""
_OF_RELEASE = {
    "cover-not-square": "The front cover is not square. Shops ask for a square picture.",
    "small-cover": "The front cover is small. Shops ask for 3000 pixels and more.",
    "approved-release-changed": "Something has changed since the proof that you approved.",
}


def open_points(findings: Sequence[Finding]) -> Iterator[str]:
    """Write the findings that the artist can judge or answer, each kind once.

    Parameters
    ----------
    findings
        Of the check and of the build. Empty slots are left out: the sheet's own list names them.
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
