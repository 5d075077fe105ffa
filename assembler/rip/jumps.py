"""Samples that a rip lost or has in addition, where it begins and ends, and those that differ."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from assembler.findings import Finding
from assembler.rip.alignment import Alignment
from assembler.rip.match import MOST_OFFSET, Match
from assembler.rip.tracks import ASK_PLANT, TrackJudgement
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.sequence.limits import SHORTEST_TRACK_FRAMES
from assembler.text import counted, frames_text

_MOST_LISTED = 5
_MOVED_SAMPLES = 2 * DISC_RATE_HZ
"""A jump of more is a track that is missing or in another place, if one is."""


def jumps(
    match: Match, found: Alignment, tracks: Sequence[TrackJudgement], *, moved: bool
) -> Iterator[Finding]:
    """Find where the rip leaves out samples of the image, or has more.

    Parameters
    ----------
    match, found
        The rip and what was found of each frame.
    tracks
        What was found of each track.
    moved
        Whether tracks are missing or in another order, which explains large jumps.
    """
    at = np.flatnonzero(np.diff(found.shifts)) + 1
    steps = [(int(f), int(found.shifts[f] - found.shifts[f - 1])) for f in at]
    steps = [(f, step) for f, step in steps if not moved or abs(step) <= _MOVED_SAMPLES]
    starts = {track.start: track.number for track in tracks}
    for frame, step in steps[:_MOST_LISTED]:
        place = match.disc.place(frame)
        where = match.rip.file_at(frame * SAMPLES_PER_FRAME + int(found.shifts[frame - 1]))
        length = _length(abs(step))
        if step < 0:
            message = f"{length} of the image are missing in the rip: {ASK_PLANT}"
            yield Finding("error", "rip-samples-lost", place, where, 0, message)
        elif step >= SHORTEST_TRACK_FRAMES * SAMPLES_PER_FRAME and starts.get(frame, 0) > 1:
            number = starts[frame]
            message = f"{length} of other sound before it, an extra track: {ASK_PLANT}"
            yield Finding("error", "rip-track-extra", f"track {number}", where, 0, message)
        else:
            message = f"the rip has {length} more here than the image: {ASK_PLANT}"
            yield Finding("error", "rip-samples-added", place, where, 0, message)
    if len(steps) > _MOST_LISTED:
        message = f"{len(steps) - _MOST_LISTED} more places with lost or added samples: {ASK_PLANT}"
        yield Finding("error", "rip-samples-lost", "", match.rip.file_at(0), 0, message)


def _length(samples: int) -> str:
    frames, rest = divmod(samples, SAMPLES_PER_FRAME)
    if rest:
        return counted(samples, "sample")
    return f"{counted(samples, 'sample')} ({counted(frames, 'CD frame')}, {frames_text(frames)})"


def forgive_ends(match: Match, found: Alignment) -> list[Finding]:
    """Accept what a drive does not read at the ends of a disc, within the largest offset.

    Missing samples are counted; zeros in place of the image's samples are no longer wrong.
    """
    notes = []
    head, tail = _missing_ends(match, found)
    zeros = [_forgive_zeros(match, found, is_tail=is_tail) for is_tail in (False, True)]
    for name, absent, zero in (("first", head, zeros[0]), ("last", tail, zeros[1])):
        if 0 < absent <= MOST_OFFSET or zero:
            how = "zeros in the rip" if zero else "not in the rip"
            message = (
                f"the {name} {counted(zero or absent, 'sample')} of the image are {how} and were "
                "not compared: a drive with an offset does not read all of a disc's ends"
            )
            notes.append(Finding("note", "rip-ends", "", match.rip.file_at(0), 0, message))
    return notes


def _missing_ends(match: Match, found: Alignment) -> tuple[int, int]:
    """Return how many samples of the image precede the rip's first, and follow its last."""
    first = max(0, -int(found.shifts[0]))
    after = match.image.length + int(found.shifts[-1]) - match.rip.length
    return first, max(0, after)


def _forgive_zeros(match: Match, found: Alignment, *, is_tail: bool) -> int:
    """Return how many samples at an end are zeros where the image has sound."""
    shift = int(found.shifts[-1 if is_tail else 0])
    length = match.image.length
    first = max(0, length - MOST_OFFSET) if is_tail else 0
    ours = match.image.read(first, min(first + MOST_OFFSET, length))
    begin = first + shift
    theirs = match.rip.read(begin, begin + len(ours))
    ours = ours[max(0, -begin) :][: len(theirs)]
    if is_tail:
        ours, theirs = ours[::-1], theirs[::-1]
    wrong = np.flatnonzero(ours != theirs)
    zero = int(np.flatnonzero(theirs)[0]) if theirs.any() else len(theirs)
    if not len(wrong) or wrong[-1] >= zero:
        return 0
    frames = slice(first // SAMPLES_PER_FRAME, -(-(first + MOST_OFFSET) // SAMPLES_PER_FRAME))
    found.wrong[frames] = 0
    return int(wrong[-1]) + 1


def ends(match: Match, found: Alignment, tracks: Sequence[TrackJudgement]) -> Iterator[Finding]:
    """Find a rip that begins too late, ends too early, or goes on after the image."""
    head, tail = _missing_ends(match, found)
    where = match.rip.file_at(match.rip.length)
    if head > MOST_OFFSET and match.begins > 0 and not tracks[0].is_missing:
        message = (
            f"the image's first {frames_text(match.begins // SAMPLES_PER_FRAME)}, before index 01 "
            "of track 1, is not in the rip and was not compared: rip the disc as a whole"
        )
        yield Finding("warning", "rip-starts-at-track-1", "", match.rip.file_at(0), 0, message)
    if tail > MOST_OFFSET and not tracks[-1].is_missing:
        place = match.disc.place_of_sample(match.image.length - tail)
        message = f"the rip ends here, {_length(tail)} before the image does: rip the disc again"
        yield Finding("error", "rip-truncated", place, where, 0, message)
    more = match.rip.length - match.image.length - int(found.shifts[-1])
    if more > MOST_OFFSET:
        rest = match.rip.read(match.rip.length - more, match.rip.length)
        longer = f"the rip has {_length(more)} more after the image's end"
        if rest.any():
            message = f"{longer}, with sound, as of an extra track: {ASK_PLANT}"
            yield Finding("error", "rip-track-extra", "", where, 0, message)
        else:
            message = f"{longer}, all silence: ask the plant whether it added a pause"
            yield Finding("warning", "rip-longer", "", where, 0, message)


def wrong_samples(
    match: Match, found: Alignment, tracks: Sequence[TrackJudgement]
) -> Finding | None:
    """Find single samples that differ, apart from tracks with a finding of their own."""
    wrong = found.wrong.copy()
    for track in tracks:
        if track.shift is None:
            wrong[track.start : track.end] = 0
    for frame in np.flatnonzero(np.diff(found.shifts)) + 1:
        wrong[max(frame - 2, 0) : frame + 2] = 0  # a frame that a jump cuts
    bad = np.flatnonzero(wrong)
    if not len(bad):
        return None
    first, last = int(bad[0]), int(bad[-1])
    until = f", the last at {match.disc.place(last)}" if last != first else ""
    message = (
        f"first wrong CD frame (program time {frames_text(first)}): "
        f"{counted(int(wrong.sum()), 'sample')} in {counted(len(bad), 'frame')} differ{until}; "
        f"{ASK_PLANT}"
    )
    where = match.rip.file_at(first * SAMPLES_PER_FRAME + int(found.shifts[first]))
    return Finding("error", "rip-differs", match.disc.place(first), where, 0, message)
