"""Which track of one release is which of another, and where their sound lies in its files.

Tracks are matched by where their sound came from, by title and by ISRC; their numbers only decide
where all of that is alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from scipy.optimize import linear_sum_assignment

from assembler.finished.finished import FinishedRelease
from assembler.finished.report_form import SourceReport
from assembler.text import FRAMES_PER_SECOND

_SOURCE, _TITLE, _ISRC, _NUMBER = 4.0, 3.0, 3.0, 0.01
"""What each likeness weighs: the sound outweighs either name, both names outweigh the sound."""


@dataclass(frozen=True)
class Pair:
    """A track that both releases have: its places in their manifests, from 0."""

    a: int
    b: int


def match_tracks(a: FinishedRelease, b: FinishedRelease) -> list[Pair]:
    """Pair the tracks of two releases so that the likenesses are the most; in the order of `b`."""
    places = range(len(a.tracks)), range(len(b.tracks))
    likeness = np.array([[_likeness(a, i, b, j) for j in places[1]] for i in places[0]])
    rows, columns = linear_sum_assignment(likeness, maximize=True)
    found = [(int(j), int(i)) for i, j in zip(rows, columns, strict=True)]
    return [Pair(i, j) for j, i in sorted(found) if likeness[i, j] > _NUMBER]


def _likeness(a: FinishedRelease, i: int, b: FinishedRelease, j: int) -> float:
    one, other = a.tracks[i], b.tracks[j]
    alike = _SOURCE * _shared_source(one["source"], other["source"])
    if str(one["title"]).casefold() == str(other["title"]).casefold():
        alike += _TITLE
    if one["isrc"] is not None and one["isrc"] == other["isrc"]:
        alike += _ISRC
    return alike + _NUMBER * (i == j)


def _shared_source(one: SourceReport, other: SourceReport) -> float:
    """Give how much of the shorter section lies in the other one too, from 0 to 1."""
    if one["sha256"] != other["sha256"]:
        return 0.0
    start = max(int(one["start_sample"]), int(other["start_sample"]))
    end = min(int(one["end_sample"]), int(other["end_sample"]))
    shortest = min(int(s["end_sample"]) - int(s["start_sample"]) for s in (one, other))
    return max(0.0, (end - start) / shortest)


def moved_pairs(pairs: Sequence[Pair]) -> list[Pair]:
    """Give the fewest pairs that must have been moved to come from one order to the other."""
    longest: list[list[Pair]] = []
    for pair in sorted(pairs, key=lambda pair: pair.b):
        before = (row for row in longest if row[-1].a < pair.a)
        longest.append([*max(before, key=len, default=[]), pair])
    stayed = max(longest, key=len, default=[])
    return [pair for pair in pairs if pair not in stayed]


def label_of(release: FinishedRelease, index: int) -> str:
    """Give a track's number, behind its disc's where there are several."""
    track = release.tracks[index]
    several = max(t["disc_number"] for t in release.tracks) > 1
    return f"{track['disc_number']}-{track['number']:02d}" if several else str(track["number"])


def asked_gap_s(release: FinishedRelease, index: int) -> Fraction:
    """Give the gap that the manifest asks for before a track; before a disc's first, its pause."""
    track, disc = release.manifest.tracks[index], release.manifest.disc
    if track.overlap:
        return Fraction(0)
    if track.gap is not None:
        return track.gap
    made_s = Fraction(release.tracks[index]["gap_frames"], FRAMES_PER_SECOND)
    return made_s if release.tracks[index]["number"] == 1 else disc.gap
