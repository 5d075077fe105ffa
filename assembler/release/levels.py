"""What mastering has to report: levels as delivered, and findings about them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

from assembler.findings import Finding
from assembler.manifest import Level, ManifestFile
from assembler.manifest.times import clock_text
from assembler.release.mastering import Mastered
from assembler.sequence import Passage
from assembler.sound.decibels import rounded

LOUDNESS_TOLERANCE_LU = 0.1
ACCEPTED_LIMITING_DB = 3.0
"""More than about this much on most of a dynamic recording is heard (common practice)."""
LARGE_GAIN_DB = 24.0
HEARD_STEP_DB = 1.0
"""A step in the level of running sound that is heard (common practice, no source)."""


def levels_json(track: Mastered, bits: int) -> dict[str, float | None]:
    """Give a track's measured levels as plain data."""
    reading = track.readings[bits]
    return {
        "integrated_lufs": rounded(reading.integrated_lufs),
        "true_peak_dbtp": rounded(reading.true_peak_dbtp),
        "sample_peak_dbfs": rounded(reading.sample_peak_dbfs),
        "loudness_range_lu": rounded(reading.loudness_range_lu),
        "sample_rate_hz": track.rate_hz,
        "bits": bits,
        "gain_db": rounded(track.gain_db),
    }


def limiting_json(track: Mastered) -> dict[str, Any]:
    """Give what the limiter did to a track as plain data."""
    limiting = track.limiting
    return {
        "most_db": rounded(limiting.most_db),
        "at_s": rounded(limiting.at_s),
        "share_above_1_db": round(limiting.share_above_1_db, 4),
        "share_above_3_db": round(limiting.share_above_3_db, 4),
    }


def level_findings(
    source: ManifestFile,
    deliverable: str,
    level: Level,
    tracks: list[tuple[Mastered, float | None]],
) -> Iterator[Finding]:
    """Hold delivered tracks against what was asked.

    Parameters
    ----------
    tracks
        Each finished track with the loudness that the match asks of it.
    """
    for track, asked_lufs in tracks:
        loc = ("tracks", track.section.index)
        number = track.section.index + 1
        limiting = track.limiting
        if limiting.most_db > ACCEPTED_LIMITING_DB:
            over_db = limiting.most_db - ACCEPTED_LIMITING_DB
            lower = math.floor((level.target - over_db) * 10) / 10
            message = (
                f"{deliverable}: track {number} is limited by up to {limiting.most_db:.1f} dB (at "
                f"{clock_text(limiting.at_s)}; {limiting.share_above_3_db:.1%} of it by more than "
                f"3 dB): {_lower_level(level, lower)} would keep it under 3 dB"
            )
            yield source.finding("warning", "heavy-limiting", loc, message)
        if track.gain_db > LARGE_GAIN_DB:
            message = (
                f"{deliverable}: track {number} is raised by {track.gain_db:.1f} dB, its noise "
                "with it: listen before you send it out"
            )
            yield source.finding("warning", "large-gain", loc, message)
        landed = next(iter(track.readings.values())).integrated_lufs
        if landed is None or asked_lufs is None:
            continue
        if abs(landed - asked_lufs) > LOUDNESS_TOLERANCE_LU:
            message = (
                f"{deliverable}: track {number} lands at {landed:.2f} LUFS where the match asks "
                f"{asked_lufs:.2f}: {_why(level, landed - asked_lufs)}"
            )
            yield source.finding("warning", "off-target", loc, message)


def segue_findings(
    source: ManifestFile, passages: Sequence[Passage], tracks: Sequence[Mastered]
) -> Iterator[Finding]:
    """Find segues at which the gain moves so far that it is heard."""
    for passage in passages:
        for before, after in pairwise(passage.places):
            step_db = tracks[after.index].gain_db - tracks[before.index].gain_db
            overlaps = tracks[after.index].section.track.overlap
            if abs(step_db) > HEARD_STEP_DB and not overlaps:
                message = (
                    f"the gain moves by {step_db:+.1f} dB at the segue into track "
                    f"{after.index + 1}: its noise and ring move with it; bring the two together "
                    f"with `trim`, or set `level.match: album`"
                )
                loc = ("tracks", after.index, "gap")
                yield source.finding("warning", "gain-step-in-segue", loc, message)


def _lower_level(level: Level, lower_lufs: float) -> str:
    if level.match == "none":
        return "a lower `trim`"
    return f"a target of {lower_lufs:.1f} LUFS"


def _why(level: Level, off_lu: float) -> str:
    if off_lu < 0:
        return "limiting takes this from it; a lower target keeps it"
    if level.match == "album":
        return (
            "the album's gain makes up for the limiting of the loudest track, and lifts this one "
            "with it; a lower target keeps the balance"
        )
    return "its sound does not settle on it; listen, and set its `trim`"
