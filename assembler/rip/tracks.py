"""Judge each track of a rip: in its place, moved, missing, or with other sound."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from assembler.findings import Finding
from assembler.rip.alignment import Alignment
from assembler.rip.likeness import Likeness, likeness
from assembler.rip.match import MOST_OFFSET, Match
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.text import number_ranges, signed_db

ASK_PLANT = "rip the disc again in another drive; if it stays, tell the plant and do not approve"


@dataclass(frozen=True)
class TrackJudgement:
    """One track of the disc.

    Attributes
    ----------
    number
        Its number.
    start, end
        Its frames, from index 01 to the next track's.
    shift
        At which most of its frames are in the rip; None where most are not.
    likeness
        Where most are not: how it relates to the rip's sound.
    is_missing
        The rip has no room for it.
    """

    number: int
    start: int
    end: int
    shift: int | None
    likeness: Likeness | None = None
    is_missing: bool = False


def judge(match: Match, found: Alignment) -> list[TrackJudgement]:
    """Judge every track of the disc."""
    shifts = [_shift_of(found, *match.disc.span(n)) for n in range(len(match.disc.tracks))]
    return [_judged(match, shifts, n) for n in range(len(shifts))]


def _shift_of(found: Alignment, start: int, end: int) -> int | None:
    """Return the shift of most frames that match at one, silence counted as far as it matches."""
    good = ~found.bad[start:end]
    values, counts = np.unique(found.shifts[start:end][good], return_counts=True)
    if 2 * int(good.sum()) < end - start:
        return None
    return int(values[counts.argmax()])


def _judged(match: Match, shifts: Sequence[int | None], n: int) -> TrackJudgement:
    number = match.disc.tracks[n].number
    start, end = match.disc.span(n)
    if shifts[n] is not None:
        return TrackJudgement(number, start, end, shifts[n])
    before = [(i, s) for i, s in enumerate(shifts[:n]) if s is not None]
    after = [(i, s) for i, s in enumerate(shifts[n + 1 :], n + 1) if s is not None]
    around = {shift for _, shift in (*before[-1:], *after[:1])} or {match.shift}
    first, last = start * SAMPLES_PER_FRAME, end * SAMPLES_PER_FRAME
    for shift in around:
        relation = likeness(match.image, match.rip, first, last, shift, MOST_OFFSET)
        if relation.shift is not None:
            return TrackJudgement(number, start, end, None, relation)
    # The rip's room between the tracks around it: the place of this one, and of its neighbours
    # that are not found either.
    room_start, image_start = (0, match.begins)
    if before:
        image_start = match.disc.span(before[-1][0])[1] * SAMPLES_PER_FRAME
        room_start = image_start + before[-1][1]
    room_end, image_end = match.rip.length, match.image.length
    if after:
        image_end = match.disc.span(after[0][0])[0] * SAMPLES_PER_FRAME
        room_end = image_end + after[0][1]
    missing = (image_end - image_start) - (room_end - room_start)
    return TrackJudgement(number, start, end, None, relation, 2 * missing > last - first)


def track_findings(tracks: Sequence[TrackJudgement], where: str) -> Iterator[Finding]:
    """Find tracks that are missing, have other sound, or changed level, polarity or channels."""
    if missing := [track.number for track in tracks if track.is_missing]:
        yield _finding("rip-track-missing", where, missing, len(tracks), "missing")
    odd = [t for t in tracks if t.likeness and not t.is_missing]
    kinds = [(track, *_what(track.likeness)) for track in odd if track.likeness]
    kinds.sort(key=lambda one: (one[1], one[2]))
    for (code, what), group in groupby(kinds, key=lambda one: (one[1], one[2])):
        numbers = [track.number for track, *_ in group]
        yield _finding(code, where, numbers, len(tracks), what)


def _finding(code: str, where: str, numbers: Sequence[int], of: int, what: str) -> Finding:
    one = len(numbers) == 1
    which = f"track{'' if one else 's'} {number_ranges(numbers)}"
    if len(numbers) == of:
        which, one = "the whole disc", True
    message = f"{'is' if one else 'are'} {what}: {ASK_PLANT}"
    return Finding("error", code, which, where, 0, message)


def _what(relation: Likeness) -> tuple[str, str]:
    """Return code and text of how a track's sound differs."""
    if relation.shift is None:
        return "rip-other-sound", "replaced by other sound"
    turned = [
        text
        for text, is_so in (
            ("with opposite polarity", relation.inverted),
            ("with left and right exchanged", relation.swapped),
        )
        if is_so
    ]
    if not relation.is_copy:
        text = "not a digital copy (a guess: lossy coding, or a sample rate conversion)"
        return "rip-not-digital-copy", " ".join([text, *turned])
    if not relation.exact:
        assert relation.gain_db is not None
        level = (
            f"at another level, {signed_db(relation.gain_db)}, with no other change than rounding"
        )
        return "rip-level", ", ".join([level, *turned])
    if turned:
        code = "rip-polarity" if relation.inverted else "rip-channels"
        return code, " and ".join(turned)
    return "rip-rounding", "the same recording with samples that differ by rounding or dither"


def order_finding(tracks: Sequence[TrackJudgement], where: str) -> Finding | None:
    """Find tracks that the rip has in another order."""
    found = [
        (t.start * SAMPLES_PER_FRAME + t.shift, t.number) for t in tracks if t.shift is not None
    ]
    order = [number for _, number in sorted(found)]
    if order == sorted(order):
        return None
    moved = [number for number, right in zip(order, sorted(order), strict=True) if number != right]
    what = (
        f"tracks {min(moved)} and {max(moved)} are swapped"
        if len(moved) == 2
        else f"the tracks are in another order: {', '.join(map(str, order))}"
    )
    return Finding("error", "rip-track-order", "", where, 0, f"{what}: {ASK_PLANT}")
