"""Match the tracks of two releases by source, title and ISRC; numbers only break ties."""

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
"""Weight of each match: the source outweighs title or ISRC, both together outweigh the source."""


@dataclass(frozen=True)
class Pair:
    """A track that both releases have: its indexes in their manifests."""

    a: int
    b: int


def match_tracks(a: FinishedRelease, b: FinishedRelease) -> list[Pair]:
    """Return the pairs of tracks with the highest total weight, in the order of `b`."""
    places = range(len(a.tracks)), range(len(b.tracks))
    weights = np.array([[_weight(a, i, b, j) for j in places[1]] for i in places[0]])
    rows, columns = linear_sum_assignment(weights, maximize=True)
    found = [(int(j), int(i)) for i, j in zip(rows, columns, strict=True)]
    return [Pair(i, j) for j, i in sorted(found) if weights[i, j] > _NUMBER]


def _weight(a: FinishedRelease, i: int, b: FinishedRelease, j: int) -> float:
    one, other = a.tracks[i], b.tracks[j]
    weight = _SOURCE * _shared_source(one.source, other.source)
    if one.title.casefold() == other.title.casefold():
        weight += _TITLE
    if one.isrc is not None and one.isrc == other.isrc:
        weight += _ISRC
    return weight + _NUMBER * (i == j)


def _shared_source(one: SourceReport, other: SourceReport) -> float:
    """Return the share of the shorter section that the other one contains, from 0 to 1."""
    if one.sha256 != other.sha256:
        return 0.0
    start = max(one.start_sample, other.start_sample)
    end = min(one.end_sample, other.end_sample)
    shortest = min(s.end_sample - s.start_sample for s in (one, other))
    return max(0.0, (end - start) / shortest)


def moved_pairs(pairs: Sequence[Pair]) -> list[Pair]:
    """Return the fewest pairs that were moved to get from one order to the other."""
    longest: list[list[Pair]] = []
    for pair in sorted(pairs, key=lambda pair: pair.b):
        before = (row for row in longest if row[-1].a < pair.a)
        longest.append([*max(before, key=len, default=[]), pair])
    stayed = max(longest, key=len, default=[])
    return [pair for pair in pairs if pair not in stayed]


def label_of(release: FinishedRelease, index: int) -> str:
    """Return a track's number, after its disc's if there are several."""
    track = release.tracks[index]
    several = max(t.disc_number for t in release.tracks) > 1
    return f"{track.disc_number}-{track.number:02d}" if several else str(track.number)


def asked_gap_s(release: FinishedRelease, index: int) -> Fraction:
    """Return the manifest's gap before a track; before the first track of a disc, its pause."""
    track, disc = release.manifest.tracks[index], release.manifest.disc
    if track.overlap:
        return Fraction(0)
    if track.gap is not None:
        return track.gap
    made_s = Fraction(release.tracks[index].gap_frames, FRAMES_PER_SECOND)
    return made_s if release.tracks[index].number == 1 else disc.gap
