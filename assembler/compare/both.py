"""Two releases, and the tracks that both have: matched by source, title and ISRC."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from assembler.download.formats import FACTS
from assembler.finished.finished import FinishedRelease
from assembler.finished.report_form import SourceReport
from assembler.manifest.sets import format_of, set_of

_SOURCE, _TITLE, _ISRC, _NUMBER = 4.0, 3.0, 3.0, 0.01
"""Weight of each match: the source outweighs title or ISRC, both together outweigh the source."""

Digests = Mapping[str, str]


@dataclass(frozen=True)
class Pair:
    """A track that both releases have: its indexes in their manifests."""

    a: int
    b: int


@dataclass(frozen=True)
class Both:
    """Two releases, the tracks that both have in the order of `b`, and their files' SHA-256."""

    a: FinishedRelease
    b: FinishedRelease
    pairs: tuple[Pair, ...]
    digests: tuple[Digests, Digests]

    def label(self, pair: Pair) -> tuple[str]:
        """Return a pair's number in `b`."""
        return (label_of(self.b, pair.b),)

    def on(self, edition: str) -> tuple[Both, dict[Pair, Pair]]:
        """Return both as an edition of theirs, and their own pair of each pair that it has."""
        own = [release.report.indices_on(edition) for release in (self.a, self.b)]
        pairs = {
            pair: Pair(own[0].index(pair.a), own[1].index(pair.b))
            for pair in self.pairs
            if pair.a in own[0] and pair.b in own[1]
        }
        releases = self.a.on(edition), self.b.on(edition)
        return Both(*releases, tuple(pairs.values()), self.digests), pairs

    def files(self, name: str, pair: Pair) -> tuple[str, str]:
        """Return a track's files in a format."""
        old, new = self.a.tracks[pair.a], self.b.tracks[pair.b]
        return self.a.track_file(name, old), self.b.track_file(name, new)

    def same_file(self, old: str, new: str) -> bool:
        """Return whether a file of `a` and one of `b` have the same bytes."""
        return self.digests[0].get(old, "a") == self.digests[1].get(new, "b")

    @property
    def formats(self) -> list[str]:
        """The download formats that both have."""
        shared = self.a.report.formats.keys() & self.b.report.formats.keys()
        return in_order(shared)

    def differing_names(self) -> list[str]:
        """Return the files whose bytes differ, or that only one of the releases has."""
        names = sorted(self.digests[0].keys() | self.digests[1].keys())
        return [name for name in names if not self.same_file(name, name)]


def in_order(folders: Collection[str]) -> list[str]:
    """Return folders of `download` by set, and in each by format."""
    places = {name: n for n, name in enumerate(FACTS)}
    return sorted(folders, key=lambda one: (set_of(one), places[format_of(one)]))


def match_tracks(a: FinishedRelease, b: FinishedRelease) -> list[Pair]:
    """Return the pairs of tracks with the highest total weight, in the order of `b`."""
    places = range(len(a.report.tracks)), range(len(b.report.tracks))
    weights = np.array([[_weight(a, i, b, j) for j in places[1]] for i in places[0]])
    rows, columns = linear_sum_assignment(weights, maximize=True)
    found = [(int(j), int(i)) for i, j in zip(rows, columns, strict=True)]
    return [Pair(i, j) for j, i in sorted(found) if weights[i, j] > _NUMBER]


def _weight(a: FinishedRelease, i: int, b: FinishedRelease, j: int) -> float:
    one, other = a.report.tracks[i], b.report.tracks[j]
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
    for pair in pairs:
        before = (row for row in longest if row[-1].a < pair.a)
        longest.append([*max(before, key=len, default=[]), pair])
    stayed = max(longest, key=len, default=[])
    return [pair for pair in pairs if pair not in stayed]


def label_of(release: FinishedRelease, index: int) -> str:
    """Return a track's number, after its disc's if there are several.

    Where editions differ, it is the number in the manifest.
    """
    if release.report.editions:
        return str(index + 1)
    track = release.tracks[index]
    return f"{track.disc_number}-{track.number:02d}" if release.of_discs > 1 else str(track.number)
