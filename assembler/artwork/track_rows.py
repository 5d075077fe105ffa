"""Track lists: each title's number and duration, and the running order."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING

from assembler.artwork.letters import Span, Stream
from assembler.artwork.reading import Box
from assembler.metadata import TrackMetadata
from assembler.text import duration_text

if TYPE_CHECKING:
    from assembler.artwork.groups import Group
    from assembler.artwork.parts import ArtworkFinding

_NUMBER_BEFORE = re.compile(r"(?:^|[\s(])([A-H]?\d{1,2})[\s.):·–—-]*$")
_BETWEEN = r"[\s.,·|/(–—…_-]{0,80}?"
_DURATION_AFTER = rf"{_BETWEEN}(\d{{1,3}})[:.′'’](\d\d)(?!\d)"
_DURATION = re.compile(r"(?<![\d:.])(\d{1,3})[:.′'’](\d\d)(?![\d:.])")
_NUMBER = re.compile(r"(?<![\w:.,-])([A-H]?\d{1,2})(?![\w:,-])")
_FAR = 12


def row_rank(stream: Stream, track: TrackMetadata | None, span: Span) -> int:
    """Return 0 for a title after its own number, 1 at a line's beginning, else 2."""
    before = stream.text[max(0, span.start - _FAR) : span.start]
    found = _NUMBER_BEFORE.search(before)
    if found and track and found[1] == str(track.number):
        return 0
    return 1 if found or not before.strip(" ") or before.rstrip(" ")[-1] in "\r\n" else 2


def row_findings(group: Group, *, has_durations: bool) -> Iterator[ArtworkFinding]:
    """Check number, duration and place of each title of a track list."""
    rows = [
        (group.wanted[n].track, span)
        for n, span in sorted(group.found.items())
        if group.wanted[n].track
    ]
    ends = _row_ends(group.stream, [span for _, span in rows])
    numbers = [_number(group.stream, span) for _, span in rows]
    has_numbers = any(numbers)
    is_numbered_right = True
    for (track, span), number in zip(rows, numbers, strict=True):
        assert track
        if number and not _is_number_of(number, track):
            is_numbered_right = False
            shown = number.lstrip("0")
            message = f"“{track.title}” has number {shown}, it is track {track.number}: correct it"
            yield group.finding("error", "track-number", message, span)
        elif has_numbers and not number:
            message = f"“{track.title}” has no number, it is track {track.number}: add it"
            yield group.finding("error", "track-number", message, span)
    if has_durations:
        for (track, span), end in zip(rows, ends, strict=True):
            assert track
            yield from _duration(group, track, span, end)
    if is_numbered_right:
        yield from _order(group, [(track, span) for track, span in rows if track])


def _is_number_of(number: str, track: TrackMetadata) -> bool:
    """Return whether a number is a track's; that of a side, such as A1, is not compared."""
    return not number.isdigit() or int(number) in (track.number, track.running_number)


def _row_ends(stream: Stream, spans: list[Span]) -> list[int]:
    """Return where the text after each title ends: at the next title."""
    starts = sorted(span.start for span in spans)
    after = dict(pairwise((*starts, len(stream.text))))
    return [after[span.start] for span in spans]


def _number(stream: Stream, span: Span) -> str | None:
    before = stream.text[max(0, span.start - _FAR) : span.start]
    if found := _NUMBER_BEFORE.search(before):
        return found[1]
    box = stream.box(span)
    near = [
        (box[0] - stream.boxes[found.end() - 1][2], found[1])
        for found in _NUMBER.finditer(stream.text)
        if _is_beside(stream, found, span) and stream.boxes[found.end() - 1][2] <= box[0] + 0.5
    ]
    return min(near)[1] if near and min(near)[0] < 25 else None


def _is_beside(stream: Stream, found: re.Match[str], span: Span) -> bool:
    start = found.start(1)
    return (
        not span.start <= start < span.end
        and stream.pages[start] == stream.page(span)
        and _same_row(stream.boxes[start], stream.box(span))
    )


def _same_row(one: Box, other: Box) -> bool:
    """Return whether two boxes are on one line, upright or turned."""
    return _overlap(one, other, 1) > 0 or _overlap(one, other, 0) > 0


def duration_after(text: str, artist: str) -> re.Match[str] | None:
    """Match the duration that follows a title at once, or after the track's own artist."""
    name = r"\s+".join(map(re.escape, artist.split()))
    return re.match(rf"(?:{_BETWEEN}{name})?{_DURATION_AFTER}", text)


def _found_duration(
    stream: Stream, track: TrackMetadata, span: Span, end: int
) -> tuple[int, Span] | None:
    if found := duration_after(stream.text[span.end : end], track.artist):
        place = Span(span.end + found.start(1), span.end + found.end(2))
        return int(found[1]) * 60 + int(found[2]), place
    box = stream.box(span)
    near = []
    for found in _DURATION.finditer(stream.text):
        left = stream.boxes[found.start(1)][0]
        beside = _is_beside(stream, found, span)
        if beside and abs(_middle(stream.boxes[found.start(1)]) - _middle(box)) < 2:
            distance = left - box[2] if left >= box[2] else 1000 + box[0] - left
            near.append((distance, int(found[1]) * 60 + int(found[2]), found.span(1)))
    if not near:
        return None
    _, seconds, (start, finish) = min(near)
    return seconds, Span(start, finish + 3)


def _middle(box: Box) -> float:
    return (box[1] + box[3]) / 2


def _duration(group: Group, track: TrackMetadata, span: Span, end: int) -> Iterator[ArtworkFinding]:
    found = _found_duration(group.stream, track, span, end)
    ours = duration_text(track.duration_s)
    if found is None:
        message = f"“{track.title}” has no duration; the master’s is {ours}"
        yield group.finding("warning", "no-duration", message, span)
        return
    seconds, place = found
    minutes, rest = ours.split(":")
    off = abs(seconds - int(minutes) * 60 - int(rest))
    if off:
        shown = f"{seconds // 60}:{seconds % 60:02d}"
        message = f"“{track.title}” has {shown}, the master has {ours}: correct it"
        severity = "error" if off > 1 else "warning"
        yield group.finding(severity, "duration-differs", message, place)  # type: ignore[arg-type]


def _order(group: Group, rows: list[tuple[TrackMetadata, Span]]) -> Iterator[ArtworkFinding]:
    """Find titles that are out of order on the page."""
    for (track, one), (after, other) in pairwise(rows):
        if not _is_before(group, one, other):
            message = f"“{after.title}” comes before “{track.title}”: correct the running order"
            yield group.finding("error", "running-order", message, other)


def _is_before(group: Group, one: Span, other: Span) -> bool:
    """Return whether a title is before another: not below it, nor behind it in a line."""
    stream = group.stream
    if stream.page(one) != stream.page(other):
        return stream.page(one) < stream.page(other)
    first, second = stream.box(one), stream.box(other)
    if first[3] - first[1] > first[2] - first[0]:  # turned
        return one.start < other.start
    if _overlap(first, second, 1) > 0:
        return first[0] < second[0]
    return first[1] < second[1] or _overlap(first, second, 0) <= 0


def _overlap(one: Box, other: Box, axis: int) -> float:
    return min(one[axis + 2], other[axis + 2]) - max(one[axis], other[axis])
