"""Differences in what two manifests ask for: release, order, tracks, credits; and in findings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from assembler.compare.difference import Difference, from_to, paths_from_to, tracks_text
from assembler.compare.fields import field_changes, seconds_text
from assembler.compare.tracks import Pair, label_of, moved_pairs
from assembler.finished.finished import FinishedRelease
from assembler.finished.report_form import TrackReport
from assembler.finished.report_text import band_text
from assembler.text import FRAMES_PER_SECOND, frames_text, shorten

TAGGED = frozenset((
    "title", "version", "artist", "isrc", "recorded", "recorded_at", "composers", "lyricists",
    "arrangers", "publisher", "lyrics", "comment",
))  # fmt: skip
"""Fields of a track that are written to its tags."""
_OTHERWISE = ("audio", "gap", "equaliser")
"""Fields of a track that are compared by what the report says of them, or item by item."""
_LONGEST_FINDING = 700


@dataclass(frozen=True)
class Both:
    """Two releases and the tracks that both have.

    Attributes
    ----------
    a, b
        The releases, before and after.
    pairs
        In the order of `b`.
    """

    a: FinishedRelease
    b: FinishedRelease
    pairs: tuple[Pair, ...]

    def label(self, pair: Pair) -> tuple[str]:
        """Return a pair's number in `b`."""
        return (label_of(self.b, pair.b),)


def release_differences(both: Both) -> Iterator[Difference]:
    """List differences of the release as a whole, except its covers and formats."""
    a, b = both.a.manifest, both.b.manifest
    yield from _section("release", "release", a.release, b.release, "front_cover", "back_cover")
    yield from _section("level", "level", a.level, b.level)
    yield from _section("disc", "disc", a.disc, b.disc)
    yield from _section("download", "download", a.download, b.download, "formats")
    yield from _section("sleeve-text", "sleeve text", a.text, b.text)
    yield from _credits(both)
    for side in {**a.transfers, **b.transfers}:
        subject = f"tape side {shorten(side)}"
        if side not in a.transfers or side not in b.transfers:
            yield Difference("transfer", subject, "removed" if side in a.transfers else "added")
        else:
            yield from _section("transfer", subject, a.transfers[side], b.transfers[side])


def _section(code: str, name: str, old: Any, new: Any, *skip: str) -> Iterator[Difference]:
    for _, label, text in field_changes(old, new, skip):
        yield Difference(code, f"{name}, {label}", text)


def _credits(both: Both) -> Iterator[Difference]:
    numbers = {pair.a: pair.b for pair in both.pairs}
    old = _people(both.a, numbers)
    new = _people(both.b, {index: index for index in range(len(both.b.tracks))})
    for person in {**old, **new}:
        texts = [_where(both.b, people.get(person)) for people in (old, new)]
        if texts[0] != texts[1]:
            who = ", ".join(shorten(text) for text in person)
            yield Difference("credits", f"credit of {who}", from_to(*texts))


def _people(
    release: FinishedRelease, numbers: Mapping[int, int]
) -> dict[tuple[str, str], set[int | None]]:
    """Return the tracks of each name and role, as `b` counts; None is the whole release."""
    people: dict[tuple[str, str], set[int | None]] = {}
    for credit in release.manifest.credits:
        places: set[int | None] = {numbers[n - 1] for n in credit.tracks if n - 1 in numbers}
        for role in credit.roles:
            found = people.setdefault((credit.name, role), set())
            found.update(places if credit.tracks else {None})
    return people


def _where(release: FinishedRelease, places: Iterable[int | None] | None) -> str:
    places = set(places or ())
    if None in places:
        return "whole release"
    return tracks_text([label_of(release, n) for n in sorted(p for p in places if p is not None)])


def order_differences(both: Both) -> Iterator[Difference]:
    """List tracks that were added, removed or moved, gaps, and the lengths of discs."""
    for release, kept, code in (
        (both.a, {pair.a for pair in both.pairs}, "removed"),
        (both.b, {pair.b for pair in both.pairs}, "added"),
    ):
        for index, track in enumerate(release.tracks):
            if index not in kept:
                place = tracks_text([label_of(release, index)])
                yield Difference(code, "", f"{code}: {shorten(track.title)} ({place})")
    for pair in moved_pairs(both.pairs):
        title = shorten(both.b.tracks[pair.b].title)
        places = f"{label_of(both.a, pair.a)} → {label_of(both.b, pair.b)}"
        yield Difference("moved", "", f"moved: {title} ({places})")
    for pair in both.pairs:
        gaps = [_gap_text(r.tracks[i]) for r, i in ((both.a, pair.a), (both.b, pair.b))]
        if gaps[0] != gaps[1]:
            yield Difference("gap", "gap", from_to(*gaps), both.label(pair))
    lengths = [{d.number: d.frames for d in r.report.discs} for r in (both.a, both.b)]
    for number in lengths[0].keys() & lengths[1].keys():
        frames = [length[number] for length in lengths]
        if frames[0] != frames[1]:
            text = from_to(*map(frames_text, frames))
            yield Difference("disc-time", f"disc {number}, length", text)


def _gap_text(track: TrackReport) -> str:
    joined = track.gap_frames == 0 and track.number > 1
    return "segue" if joined else seconds_text(Fraction(track.gap_frames, FRAMES_PER_SECOND))


def track_differences(both: Both) -> Iterator[Difference]:
    """List differences of each track that both have."""
    for pair in both.pairs:
        old, new = both.a.manifest.tracks[pair.a], both.b.manifest.tracks[pair.b]
        label = both.label(pair)
        for key, name, text in field_changes(old, new, _OTHERWISE):
            yield Difference("words" if key in TAGGED else "setting", name, text, label)
        removed = list((Counter(old.equaliser) - Counter(new.equaliser)).elements())
        added = list((Counter(new.equaliser) - Counter(old.equaliser)).elements())
        if old.equaliser != new.equaliser and not (removed or added):
            yield Difference("equaliser", "equaliser", "bands in another order", label)
        yield from _bands(removed, added, label)
        yield from _source(both, pair)


def _bands(removed: list[Any], added: list[Any], label: tuple[str]) -> Iterator[Difference]:
    """List bands that were changed, removed or added."""
    for old, new in zip(
        (*removed, *[None] * (len(added) - len(removed))),
        (*added, *[None] * (len(removed) - len(added))),
        strict=True,
    ):
        texts = (band_text(band) if band else "" for band in (old, new))
        yield Difference("equaliser", "equaliser", from_to(*texts), label)


def _source(both: Both, pair: Pair) -> Iterator[Difference]:
    """List differences of a track's recording: its files and their content."""
    old, new = both.a.tracks[pair.a].source, both.b.tracks[pair.b].source
    text = paths_from_to(old.files, new.files)
    if old.sha256 == new.sha256:
        text += ", same content"
    elif old.files == new.files:
        text = f"{' + '.join(new.files)} has new content"
    if old.files != new.files or old.sha256 != new.sha256:
        yield Difference("source", "source", text, both.label(pair))


def finding_differences(both: Both) -> Iterator[Difference]:
    """List findings that are new, gone, or have another text at the same place."""
    numbers = {f"tracks[{pair.a}]": f"tracks[{pair.b}]" for pair in both.pairs}
    same = {f"tracks[{n}]": f"tracks[{n}]" for n in range(len(both.b.tracks))}
    old, new = _findings(both.a, numbers), _findings(both.b, same)
    for key in {**old, **new}:
        before, after = old.get(key, []), new.get(key, [])
        for code, messages in (("gone", before[len(after) :]), ("new", after[len(before) :])):
            for _, message in messages:
                yield _finding(code, key, message)
        for (where, text), (other_where, other) in zip(before, after, strict=False):
            if where == other_where and text != other:  # else only its number may differ
                yield _finding("changed", key, other)


_FindingKey = tuple[str, str, str]


def _finding(change: str, key: _FindingKey, message: str) -> Difference:
    severity, code, _ = key
    text = f"{change} {severity} [{code}]: {shorten(message, _LONGEST_FINDING)}"
    return Difference(f"finding-{change}", "", text)


def _findings(
    release: FinishedRelease, numbers: Mapping[str, str]
) -> dict[_FindingKey, list[tuple[str, str]]]:
    """Return place and message by severity, code and place in `b`."""
    found: dict[_FindingKey, list[tuple[str, str]]] = {}
    for finding in release.report.findings:
        track, dot, key = finding.where.partition(".")
        place = numbers.get(track, "gone") if track.startswith("tracks[") else track
        full_key = (finding.severity, finding.code, f"{place}{dot}{key}")
        found.setdefault(full_key, []).append((finding.where, finding.message))
    return found
