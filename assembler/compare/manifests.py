"""Differences in what was asked of two releases: words, settings, order, sections, findings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from assembler.compare import words
from assembler.compare.stretches import Edge
from assembler.compare.tracks import Pair, asked_gap_s, label_of, moved_pairs
from assembler.compare.words import Difference, changed_values, from_to
from assembler.finished.finished import FinishedRelease
from assembler.manifest.model import Band
from assembler.text import FRAMES_PER_SECOND, frames_text, shorten

_TOLD_ELSEWHERE = ("audio", "start", "end", "gap", "equaliser")
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

    def label(self, pair: Pair) -> str:
        """Give a pair's number, as `b` counts."""
        return label_of(self.b, pair.b)


def release_differences(both: Both) -> Iterator[Difference]:
    """Find what changed of the release as a whole, its covers and formats left out."""
    a, b = both.a.manifest, both.b.manifest
    covers = ("front_cover", "back_cover")
    for label, told in changed_values("", a.release, b.release, words.RELEASE, covers):
        yield Difference("release", f"{label} changed: {told}")
    levels = {
        name: list(changed_values("", a.level_of(name), b.level_of(name), words.LEVEL))
        for name in ("disc", "download")
    }
    if levels["disc"] == levels["download"]:
        yield from (Difference("level", f"{label}: {told}") for label, told in levels["disc"])
    else:
        for name, changes in levels.items():
            for label, told in changes:
                yield Difference("level", f"{label} of the {name}: {told}")
    gaps = () if _falls_back_on_gap(both) else ("gap",)
    for label, told in changed_values("disc ", a.disc, b.disc, words.DISC, ("level", *gaps)):
        yield Difference("disc", f"{label}: {told}")
    skip = ("level", "formats")
    for label, told in changed_values("download ", a.download, b.download, words.DOWNLOAD, skip):
        yield Difference("download", f"{label}: {told}")
    for label, told in changed_values("sleeve ", a.text, b.text, {}):
        yield Difference("sleeve-text", f"{label} changed {told}")
    yield from _credits(both)
    yield from _sides(both)


def _falls_back_on_gap(both: Both) -> bool:
    """Tell whether no track shows the disc's gap: then a change of it is told by itself."""
    return not any(
        track.gap is None and not track.overlap and number > 0
        for number, track in enumerate(both.b.manifest.tracks)
    )


def _credits(both: Both) -> Iterator[Difference]:
    moved = {pair.a: pair.b for pair in both.pairs}
    old = _people(both.a, moved)
    new = _people(both.b, {index: index for index in range(len(both.b.tracks))})
    for person in {**old, **new}:
        was, now = (_where(both.b, people.get(person)) for people in (old, new))
        if was == now or not (was or now):
            continue
        who = ", ".join(shorten(text) for text in person)
        if not was or not now:
            what = "taken out" if was else "added"
            yield Difference("credits", f"credit {what}: {who} ({was or now})")
        else:
            yield Difference("credits", f"credit of {who}: {was} → {now}")


def _people(
    release: FinishedRelease, moved: Mapping[int, int]
) -> dict[tuple[str, str], set[int | None]]:
    """Give who did what on which tracks; None is the whole release."""
    people: dict[tuple[str, str], set[int | None]] = {}
    for credit in release.manifest.credits:
        places: set[int | None] = {moved[n - 1] for n in credit.tracks if n - 1 in moved}
        if not credit.tracks:
            places = {None}
        for role in credit.roles:
            people.setdefault((credit.name, role), set()).update(places)
    return people


def _where(release: FinishedRelease, places: set[int | None] | None) -> str:
    if not places:
        return ""
    if None in places:
        return "the whole release"
    labels = tuple(label_of(release, place) for place in sorted(p for p in places if p is not None))
    return Difference("", "track ", "", labels).message


def _sides(both: Both) -> Iterator[Difference]:
    old, new = both.a.manifest.transfers, both.b.manifest.transfers
    for name in {**old, **new}:
        if name not in old or name not in new:
            what = "taken out" if name in old else "added"
            yield Difference("transfer", f"tape side {shorten(name)} {what}")
            continue
        for label, told in changed_values("", old[name], new[name], {}, ("restoration",)):
            yield Difference("transfer", f"{label} of tape side {shorten(name)}: {told}")
        for label, told in changed_values("", old[name].restoration, new[name].restoration, {}):
            yield Difference("mending", f"mending of tape side {shorten(name)}, {label}: {told}")


def order_differences(both: Both) -> Iterator[Difference]:
    """Find tracks that came, went or moved, gaps, and what the discs last."""
    yield from _tracks_without_pair(both)
    for pair in moved_pairs(both.pairs):
        title, old = _title(both.b, pair.b), label_of(both.a, pair.a)
        yield Difference("moved", f"{title} moved from {old} to {both.label(pair)}")
    for pair in both.pairs:
        yield from _gap(both, pair)
    discs = [{d["number"]: d for d in release.report["discs"]} for release in (both.a, both.b)]
    for number in discs[0].keys() & discs[1].keys():
        old_frames, new_frames = (d[number]["frames"] for d in discs)
        if old_frames != new_frames:
            by = _longer(Fraction(new_frames - old_frames, FRAMES_PER_SECOND))
            times = from_to(old_frames, new_frames, frames_text)
            yield Difference("disc-time", f"disc {number} is {by} ({times})")


def _title(release: FinishedRelease, index: int) -> str:
    return shorten(release.tracks[index]["title"])


def _tracks_without_pair(both: Both) -> Iterator[Difference]:
    kept = ({pair.a for pair in both.pairs}, {pair.b for pair in both.pairs})
    for release, places, code in ((both.a, kept[0], "removed"), (both.b, kept[1], "added")):
        for index in range(len(release.tracks)):
            if index not in places:
                number = label_of(release, index)
                was = "it was" if code == "removed" else "it is"
                title = _title(release, index)
                yield Difference(code, f"track {code}: {title} ({was} {number})")


def _gap(both: Both, pair: Pair) -> Iterator[Difference]:
    a, b = both.a, both.b
    label = (both.label(pair),)
    old_s, new_s = asked_gap_s(a, pair.a), asked_gap_s(b, pair.b)
    tracks = a.manifest.tracks[pair.a], b.manifest.tracks[pair.b]
    if tracks[0].overlap or tracks[1].overlap:
        return  # told as an overlap
    if old_s != new_s and 0 in (old_s, new_s):
        told = from_to(old_s, new_s, lambda gap: words.seconds_text(gap) if gap else "segue")
        yield Difference("gap", "gap before ", f": {told}", label)
    elif old_s != new_s:
        times = from_to(old_s, new_s, lambda gap: words.seconds_text(gap).removesuffix(" s"))
        yield Difference("gap", "gap before ", f" {_longer(new_s - old_s)} ({times} s)", label)
    else:
        frames = b.tracks[pair.b]["gap_frames"] - a.tracks[pair.a]["gap_frames"]
        if frames:
            more = "longer" if frames > 0 else "shorter"
            told = f" {more} by {abs(frames)} frame{'s' * (abs(frames) > 1)}, as the grid falls"
            yield Difference("gap", "gap before ", told, label)


def _longer(by_s: Fraction) -> str:
    return f"{'longer' if by_s > 0 else 'shorter'} by {words.seconds_text(abs(by_s))}"


def track_differences(both: Both, retagged: Mapping[Pair, str]) -> Iterator[Difference]:
    """Find what changed of each track that both have.

    Parameters
    ----------
    retagged
        What is to be said behind changed words of a track.
    """
    for pair in both.pairs:
        old, new = both.a.manifest.tracks[pair.a], both.b.manifest.tracks[pair.b]
        label = (both.label(pair),)
        skip = (*_TOLD_ELSEWHERE, *words.TRACK_SETTINGS)
        for text, told in changed_values("", old, new, words.TRACK_WORDS, skip):
            after = f" changed: {told}{retagged[pair]}"
            yield Difference("words", f"{text} of ", after, label)
        skip = (*_TOLD_ELSEWHERE, *words.TRACK_WORDS)
        for text, told in changed_values("", old, new, words.TRACK_SETTINGS, skip):
            of = "" if text.endswith(("into", "by")) else " of"
            yield Difference("setting", f"{text}{of} ", f": {told}", label)
        yield from _equaliser(old.equaliser, new.equaliser, label)
        yield from _source(both, pair, label)


def _equaliser(old: Sequence[Band], new: Sequence[Band], label: tuple[str]) -> Iterator[Difference]:
    if old != new:
        told = words.equaliser_changes(old, new)
        yield Difference("equaliser", "equaliser of ", f": {told}", label)


def _source(both: Both, pair: Pair, label: tuple[str]) -> Iterator[Difference]:
    old, new = both.a.tracks[pair.a]["source"], both.b.tracks[pair.b]["source"]
    files = words.paths_from_to(old["files"], new["files"])
    if old["sha256"] != new["sha256"]:
        same_name = old["files"] == new["files"]
        told = f"{' + '.join(new['files'])} holds something else" if same_name else files
        yield Difference("source", "source of ", f" changed: {told}", label)
        for edge in ("start", "end"):
            asked = (r.manifest.tracks[i] for r, i in ((both.a, pair.a), (both.b, pair.b)))
            old_s, new_s = (getattr(track, edge) for track in asked)
            if old_s != new_s:
                told = from_to(old_s, new_s, words.time_text)
                yield Difference("section", f"{edge} in the source of ", f": {told}", label)
        return
    if old["files"] != new["files"]:
        yield Difference("source", "source of ", f" renamed: {files}, the same contents", label)
    edges: tuple[tuple[Edge, str], ...] = (("start_sample", "starts"), ("end_sample", "ends"))
    for sample, verb in edges:
        old_s, new_s = (Fraction(one[sample], one["sample_rate_hz"]) for one in (old, new))
        if old_s != new_s:
            by_s = new_s - old_s
            far = f"{words.seconds_text(abs(by_s))} {'later' if by_s > 0 else 'earlier'}"
            times = from_to(old_s, new_s, words.time_text)
            told = f" {verb} {far} in its source ({times})"
            yield Difference("section", "track ", told, label)


def finding_differences(both: Both) -> Iterator[Difference]:
    """Find the findings that came or went, or say something else at the same place."""
    moved = {f"tracks[{pair.a}]": f"tracks[{pair.b}]" for pair in both.pairs}
    stayed = {f"tracks[{i}]": f"tracks[{i}]" for i in range(len(both.b.tracks))}
    old = _findings(both.a.report["findings"], moved)
    new = _findings(both.b.report["findings"], stayed)
    for key in {**old, **new}:
        was, now = old.get(key, []), new.get(key, [])
        for code, findings in (("gone", was[len(now) :]), ("new", now[len(was) :])):
            for _, message in findings:
                yield _finding(code, f"{code}: ", key, message)
        for one, other in zip(was, now, strict=False):
            if one[0] == other[0] and one[1] != other[1]:  # else its number alone may differ
                yield _finding("changed", "now: ", key, other[1])


_FindingKey = tuple[str, str, str]


def _finding(code: str, lead: str, key: _FindingKey, message: str) -> Difference:
    severity, kind, _ = key
    told = shorten(message, _LONGEST_FINDING)
    return Difference(f"finding-{code}", f"{lead}{severity} [{kind}] {told}")


def _findings(
    findings: Iterable[Mapping[str, Any]], moved: Mapping[str, str]
) -> dict[_FindingKey, list[tuple[str, str]]]:
    """Give place and message by severity, code and the place where `b` has the track."""
    told: dict[_FindingKey, list[tuple[str, str]]] = {}
    for finding in findings:
        where = finding["where"]
        track, dot, key = where.partition(".")
        place = moved.get(track, "gone") if track.startswith("tracks[") else track
        full_key = (finding["severity"], finding["code"], f"{place}{dot}{key}")
        told.setdefault(full_key, []).append((where, finding["message"]))
    return told
