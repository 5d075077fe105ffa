"""Differences in what two manifests ask for, in the running order, and in findings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from fractions import Fraction

from assembler.compare.both import Both, label_of, moved_pairs
from assembler.compare.difference import Difference, from_to, paths_from_to, tracks_text
from assembler.compare.fields import field_changes, seconds_text
from assembler.findings import Finding
from assembler.finished.report_form import ReleaseReport, SourceReport, TrackReport
from assembler.manifest import Manifest
from assembler.manifest.details import TrackDetails
from assembler.manifest.editions import NUMBER_KEYS, editions_of
from assembler.manifest.sets import DownloadSettings
from assembler.text import FRAMES_PER_SECOND, frames_text, shorten

_CODES = {"text": "sleeve-text", "transfers": "transfer"}
_TAGGED = frozenset((
    "title", "version", "artist", "isrc", "recorded", "recorded_at", "composers", "lyricists",
    "arrangers", "publisher", "lyrics", "comment", *TrackDetails.model_fields,
))  # fmt: skip
"""Fields of a track that its tags or the tables for shops have."""
_IN_REPORT = ("audio", "gap", "formats")
"""Fields that are compared by what the report says of them."""
_NOT_VERSIONS = frozenset(ReleaseReport.model_fields) - {"assembler", "made_with"}
_LONGEST_FINDING = 700


def release_differences(both: Both) -> Iterator[Difference]:
    """List differences of the release as a whole."""
    for _, label, text in field_changes(both.a.report, both.b.report, _NOT_VERSIONS):
        yield Difference("version", label, text)
    a = _numbered(both.a.manifest, _new_numbers(both))
    b = _numbered(both.b.manifest, {n: n for n in range(1, len(both.b.report.tracks) + 1)})
    for key, label, text in field_changes(a, b, ("tracks", "download", *_IN_REPORT)):
        yield Difference(_CODES.get(key, key), label, text)
    for name, one, other in _sets(a, b):
        for _, label, text in field_changes(one, other, ("name", *_IN_REPORT)):
            yield Difference("download", f"{name}, {label}", text)


def _sets(a: Manifest, b: Manifest) -> Iterator[tuple[str, DownloadSettings, DownloadSettings]]:
    """Yield the download sets that both have; the formats of others are listed by name."""
    others = {one.edition: one for one in b.download}
    for one in a.download:
        if one.edition in others:
            yield one.edition, one, others[one.edition]


def _new_numbers(both: Both) -> dict[int, int]:
    """Return the number in `b` of each track of `a` that both have."""
    return {pair.a + 1: pair.b + 1 for pair in both.pairs}


def _numbered(manifest: Manifest, numbers: Mapping[int, int]) -> Manifest:
    """Return a manifest whose credits have other track numbers; without credits of no track."""
    credits = []
    for credit in manifest.credits:
        tracks = sorted(numbers[n] for n in credit.tracks if n in numbers)
        if tracks or not credit.tracks:
            credits.append(credit.model_copy(update={"tracks": tuple(tracks)}))
    return manifest.model_copy(update={"credits": tuple(credits)})


def order_differences(both: Both) -> Iterator[Difference]:
    """List tracks that were added, removed or moved, gaps, and the lengths of discs."""
    for code, release, kept in (
        ("removed", both.a, {pair.a for pair in both.pairs}),
        ("added", both.b, {pair.b for pair in both.pairs}),
    ):
        for index, track in enumerate(release.report.tracks):
            if index not in kept:
                place = tracks_text([label_of(release, index)])
                yield Difference(code, "", f"{code}: {shorten(track.title)} ({place})")
    for pair in moved_pairs(both.pairs):
        title = shorten(both.b.report.tracks[pair.b].title)
        places = from_to(label_of(both.a, pair.a), label_of(both.b, pair.b))
        yield Difference("moved", "", f"moved: {title} ({places})")
    yield from _gap_differences(both)
    for disc, other in zip(both.a.report.discs, both.b.report.discs, strict=False):
        if disc.frames != other.frames:
            text = from_to(frames_text(disc.frames), frames_text(other.frames))
            yield Difference("disc-time", f"disc {disc.number}, length", text)


def _gap_differences(both: Both) -> Iterator[Difference]:
    """List gaps that differ on an edition; where editions differ, with its name."""
    several = both.a.report.editions or both.b.report.editions
    names = editions_of(both.b.manifest)
    for name in names if several else names[:1]:
        edition, pairs = both.on(name)
        for pair, own in pairs.items():
            old, new = _gap_text(edition.a.tracks[own.a]), _gap_text(edition.b.tracks[own.b])
            if old != new:
                subject = f"gap, {name}" if several else "gap"
                yield Difference("gap", subject, from_to(old, new), both.label(pair))


def _gap_text(track: TrackReport) -> str:
    joined = track.gap_frames == 0 and track.number > 1
    return "segue" if joined else seconds_text(Fraction(track.gap_frames, FRAMES_PER_SECOND))


def track_differences(both: Both) -> Iterator[Difference]:
    """List differences of each track that both have."""
    numbers = _new_numbers(both)
    for pair in both.pairs:
        old, new = both.a.manifest.tracks[pair.a], both.b.manifest.tracks[pair.b]
        named = {key: getattr(old, key) for key in NUMBER_KEYS}
        moved = {key: numbers.get(number or 0, number) for key, number in named.items()}
        old = old.model_copy(update=moved)
        for key, name, text in field_changes(old, new, _IN_REPORT):
            code = "words" if key in _TAGGED else key if key == "equaliser" else "setting"
            yield Difference(code, name, text, both.label(pair))
        sources = both.a.report.tracks[pair.a].source, both.b.report.tracks[pair.b].source
        if text := _source_text(*sources):
            yield Difference("source", "source", text, both.label(pair))


def _source_text(old: SourceReport, new: SourceReport) -> str:
    """Write how a track's source files and their content differ; empty if they don't."""
    if old.files == new.files:
        same = old.sha256 == new.sha256
        return "" if same else f"{' + '.join(new.files)} has new content"
    same_content = ", same content" if old.sha256 == new.sha256 else ""
    return f"{paths_from_to(old.files, new.files)}{same_content}"


def finding_differences(both: Both) -> Iterator[Difference]:
    """List findings that are gone or new."""
    old, new = (Counter(map(_finding_text, r.report.findings)) for r in (both.a, both.b))
    for change, texts in (("gone", old - new), ("new", new - old)):
        for text in texts.elements():
            yield Difference(f"finding-{change}", "", f"{change} {text}")


def _finding_text(finding: Finding) -> str:
    return f"{finding.severity} [{finding.code}]: {shorten(finding.message, _LONGEST_FINDING)}"
