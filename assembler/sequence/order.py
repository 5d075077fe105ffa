"""Lay tracks out on a disc: gaps, segues, marks.

Tracks that segue into each other form one passage: one stretch of unbroken sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate

from assembler.manifest.times import FRAMES_PER_SECOND
from assembler.sequence.frames import DISC_RATE_HZ, frame_after, nearest_frame

OPENING_PAUSE_S = Fraction(2)
"""The pause before track 1, in front of the image (IEC 60908: 2 to 3 s)."""


@dataclass(frozen=True)
class TrackSound:
    """What the order needs to know of a track.

    Attributes
    ----------
    samples
        Length of its sound at 44,100 Hz.
    gap_s
        Silence before it; 0 is a segue.
    opens_disc
        Number of the disc that this track opens, if it opens one.
    """

    samples: int
    gap_s: Fraction
    opens_disc: int | None = None


@dataclass(frozen=True)
class TrackPlace:
    """Where a track lies on its disc; frames count from the first frame of the image.

    Attributes
    ----------
    index
        The track's place in the manifest, from 0.
    number
        Its number on the disc, from 1.
    gap_frames
        The pause before it, index 00 to index 01; before track 1 it lies in front of the image.
    start_frame
        Index 01.
    end_frame
        Where its sound ends: the next pause, or in a segue the next start.
    """

    index: int
    number: int
    gap_frames: int
    start_frame: int
    end_frame: int

    @property
    def frames(self) -> int:
        """Length of the track's sound."""
        return self.end_frame - self.start_frame


@dataclass(frozen=True)
class Passage:
    """Tracks that follow each other without a gap.

    Attributes
    ----------
    places
        Its tracks.
    start_frame
        Where its sound begins.
    room_frames
        From there to the start of the next passage, or to the disc's end.
    """

    places: tuple[TrackPlace, ...]
    start_frame: int
    room_frames: int

    @property
    def marks(self) -> tuple[int, ...]:
        """Starts of its tracks, in frames from the start of the passage."""
        return tuple(place.start_frame - self.start_frame for place in self.places)


@dataclass(frozen=True)
class DiscOrder:
    """One disc.

    Attributes
    ----------
    number
        Of the disc, from 1.
    opening_pause_frames
        The pause in front of the image.
    frames
        Length of the image.
    """

    number: int
    passages: tuple[Passage, ...]
    opening_pause_frames: int
    frames: int

    @property
    def places(self) -> tuple[TrackPlace, ...]:
        """Its tracks in order."""
        return tuple(place for passage in self.passages for place in passage.places)


def lay_out(tracks: Sequence[TrackSound]) -> tuple[DiscOrder, ...]:
    """Lay tracks out on one or more discs.

    Parameters
    ----------
    tracks
        In running order. The gap of a disc's first track is its opening pause.

    Returns
    -------
    tuple of DiscOrder
        Whatever the limits say: those are for `limits.findings`.
    """
    discs: list[DiscOrder] = []
    first = 0
    for index in range(1, len(tracks) + 1):
        if index == len(tracks) or tracks[index].opens_disc is not None:
            number = tracks[first].opens_disc or len(discs) + 1
            discs.append(_lay_out_disc(number, tracks[first:index], first))
            first = index
    return tuple(discs)


def _lay_out_disc(number: int, tracks: Sequence[TrackSound], first_index: int) -> DiscOrder:
    passages: list[Passage] = []
    sound_end = 0  # samples
    end_frame = 0
    for chain in _chains(tracks):
        gap_s = tracks[chain[0]].gap_s
        start = frame_after(sound_end + gap_s * DISC_RATE_HZ) if passages else 0
        pause = start - end_frame if passages else frame_after(gap_s * DISC_RATE_HZ)
        if passages:
            passages[-1] = _with_room(passages[-1], start)
        lengths = [tracks[i].samples for i in chain]
        ends = list(accumulate(lengths))
        sound_end = start * DISC_RATE_HZ // FRAMES_PER_SECOND + ends[-1]
        end_frame = frame_after(sound_end)
        marks = [start, *(start + nearest_frame(end) for end in ends[:-1]), end_frame]
        places = tuple(
            TrackPlace(first_index + i, i + 1, pause if n == 0 else 0, marks[n], marks[n + 1])
            for n, i in enumerate(chain)
        )
        passages.append(Passage(places, start, end_frame - start))
    opening = passages[0].places[0].gap_frames
    return DiscOrder(number, tuple(passages), opening, end_frame)


def _chains(tracks: Sequence[TrackSound]) -> list[list[int]]:
    chains: list[list[int]] = []
    for i, track in enumerate(tracks):
        if i > 0 and track.gap_s == 0:
            chains[-1].append(i)
        else:
            chains.append([i])
    return chains


def _with_room(passage: Passage, next_start: int) -> Passage:
    return Passage(passage.places, passage.start_frame, next_start - passage.start_frame)
