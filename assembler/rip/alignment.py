"""Compare image and rip CD frame by CD frame, following the rip where samples are lost or moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.rip.samples import Samples
from assembler.rip.shift import anywhere, distinctive, near, winner
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.text import FRAMES_PER_SECOND

_COMPARED_AT_ONCE = 1500
_WINDOWS = 6
_AHEAD_FRAMES = 75
"""Where frames differ, the windows of this second decide whether the rip goes on elsewhere."""
_NEAR_SAMPLES = 2 * DISC_RATE_HZ
_FAR_AHEAD_FRAMES = 750
_SEARCH_AGAIN_FRAMES = 60 * FRAMES_PER_SECOND
"""After the whole rip was searched in vain; from the next track on it is searched again."""


@dataclass
class Alignment:
    """What was found of each frame of the image.

    Attributes
    ----------
    shifts
        At which the frame was compared.
    wrong
        Samples that differ.
    absent
        Samples that the rip does not have, before its first or after its last.
    """

    shifts: NDArray[np.int64]
    wrong: NDArray[np.int64]
    absent: NDArray[np.int64]

    @property
    def bad(self) -> NDArray[np.bool_]:
        """Frames that are not in the rip as they are in the image."""
        return (self.wrong > 0) | (self.absent > 0)


def align(image: Samples, rip: Samples, shift: int, marks: Sequence[int]) -> Alignment:
    """Compare all frames, beginning at one shift.

    Parameters
    ----------
    image, rip
        The samples.
    shift
        Where the rip's sound is on most of the disc.
    marks
        Frames at which tracks begin: the rip is searched again from each.
    """
    frames = image.length // SAMPLES_PER_FRAME
    found = _nothing_found(frames, shift)
    frame, current, step, next_search = 0, shift, _AHEAD_FRAMES, 0
    while frame < frames:
        end = min(frame + _COMPARED_AT_ONCE, frames)
        compare_frames(image, rip, found, frame, end, current)
        bad = np.flatnonzero(found.bad[frame:end])
        if not len(bad):
            frame, step = end, _AHEAD_FRAMES
            continue
        frame += int(bad[0])
        other = _near_shift(image, rip, frame, current)
        mark = min((mark for mark in marks if mark > frame), default=frames)
        if other is None and frame >= next_search:
            other = _far_shift(image, rip, frame)
            next_search = min(mark, frame + _SEARCH_AGAIN_FRAMES)
        if other is not None and other != current:
            _follow(image, rip, found, frame, other)
            current, step = other, _AHEAD_FRAMES
            frame += 1
            continue
        end = min(frame + step, mark)
        compare_frames(image, rip, found, frame, end, current)
        frame = end
        step = min(2 * step, _COMPARED_AT_ONCE) if other is None else _AHEAD_FRAMES
    return found


def compare_all(image: Samples, rip: Samples, shift: int) -> Alignment:
    """Compare all frames at one shift, where no sample is expected to be the same."""
    frames = image.length // SAMPLES_PER_FRAME
    found = _nothing_found(frames, shift)
    for first in range(0, frames, _COMPARED_AT_ONCE):
        compare_frames(image, rip, found, first, min(first + _COMPARED_AT_ONCE, frames), shift)
    return found


def _nothing_found(frames: int, shift: int) -> Alignment:
    return Alignment(np.full(frames, shift), np.zeros(frames, int), np.zeros(frames, int))


def compare_frames(
    image: Samples, rip: Samples, found: Alignment, first: int, end: int, shift: int
) -> None:
    """Compare frames of the image with the rip at a shift, and keep the result."""
    start, stop = first * SAMPLES_PER_FRAME, end * SAMPLES_PER_FRAME
    ours, theirs = image.read(start, stop), rip.read(start + shift, stop + shift)
    found.shifts[first:end] = shift
    if len(theirs) == len(ours) and np.array_equal(ours, theirs):
        found.wrong[first:end] = found.absent[first:end] = 0
        return
    before = min(max(0, -(start + shift)), len(ours))
    wrong, absent = np.zeros(len(ours), bool), np.ones(len(ours), bool)
    inside = slice(before, before + len(theirs))
    wrong[inside] = ours[inside] != theirs
    absent[inside] = False
    found.wrong[first:end] = wrong.reshape(-1, SAMPLES_PER_FRAME).sum(axis=1)
    found.absent[first:end] = absent.reshape(-1, SAMPLES_PER_FRAME).sum(axis=1)


def _near_shift(image: Samples, rip: Samples, frame: int, current: int) -> int | None:
    """Return the shift of the second after a frame, found within 2 s of the current one."""
    first = frame * SAMPLES_PER_FRAME
    positions = distinctive(
        image, first, min(first + _AHEAD_FRAMES * SAMPLES_PER_FRAME, image.length), _WINDOWS
    )
    votes = near(image, rip, positions, current, _NEAR_SAMPLES)
    least = min(2, len(positions)) or 1
    return current if votes[current] >= least else winner(votes, least)


def _far_shift(image: Samples, rip: Samples, frame: int) -> int | None:
    """Return the shift of the 10 s after a frame, wherever in the rip they are."""
    first = frame * SAMPLES_PER_FRAME
    last = min(first + _FAR_AHEAD_FRAMES * SAMPLES_PER_FRAME, image.length)
    positions = distinctive(image, first, last, _WINDOWS)
    return winner(anywhere(image, rip, positions)) if positions else None


def _follow(image: Samples, rip: Samples, found: Alignment, frame: int, shift: int) -> None:
    """Compare the frame in which samples were lost at the new shift, and keep the better result."""
    before = found.wrong[frame] + found.absent[frame], found.shifts[frame]
    old = found.wrong[frame], found.absent[frame]
    compare_frames(image, rip, found, frame, frame + 1, shift)
    if found.wrong[frame] + found.absent[frame] > before[0]:
        found.shifts[frame] = before[1]
        found.wrong[frame], found.absent[frame] = old
