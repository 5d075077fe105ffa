"""Lay tracks out on a disc: gaps, segues, overlaps, index points, hidden sound and tail.

Tracks that segue or overlap into each other form one passage: one stretch of unbroken sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

from assembler.sequence.frames import (
    DISC_RATE_HZ,
    SAMPLES_PER_FRAME,
    frame_after,
    nearest_frame,
    samples_in,
)

OPENING_PAUSE_S = Fraction(2)
"""The track 1 pause, which precedes the image (IEC 60908: 2 to 3 s).

What a longer pause has beyond these 2 s is the beginning of the image, as index 00 of track 1:
readers of cue sheets disagree on PREGAP.
"""


@dataclass(frozen=True)
class TrackSound:
    """What the running order needs of a track.

    Attributes
    ----------
    samples
        Length of its sound at 44,100 Hz.
    gap_s
        Silence before it; 0 is a segue.
    opens_disc
        Number of the disc that begins with this track, if one does.
    overlap_s
        Length of its crossfade with the track before; its gap is then 0.
    points_s
        Index points inside the track, from its start.
    """

    samples: int
    gap_s: Fraction
    opens_disc: int | None = None
    overlap_s: Fraction = Fraction(0)
    points_s: tuple[Fraction, ...] = ()


@dataclass(frozen=True)
class TrackPlace:
    """A track's position on its disc; frames count from the first frame of the image.

    Attributes
    ----------
    index
        The track's index in the manifest, from 0.
    number
        Its number on the disc, from 1.
    gap_frames
        The pause before it, index 00 to index 01; that of track 1 has 2 s in front of the image.
    start_frame
        Index 01.
    end_frame
        End of its sound: the next pause, or in a segue the next start.
    pause_start_frame
        Index 00, where it is inside the image; None where there is none.
    further_frames
        Index points 02, 03 and so on.
    """

    index: int
    number: int
    gap_frames: int
    start_frame: int
    end_frame: int
    pause_start_frame: int | None = None
    further_frames: tuple[int, ...] = ()

    @property
    def frames(self) -> int:
        """Length of the track's sound."""
        return self.end_frame - self.start_frame

    @property
    def points(self) -> tuple[tuple[int, int], ...]:
        """Number and frame of every index point inside the image."""
        frames = (self.pause_start_frame, self.start_frame, *self.further_frames)
        return tuple((n, frame) for n, frame in enumerate(frames) if frame is not None)


@dataclass(frozen=True)
class Passage:
    """Tracks that follow each other without a gap, or the hidden sound before track 1.

    Attributes
    ----------
    places
        Its tracks; none for the hidden sound.
    start_frame
        Start of its sound.
    room_frames
        Length from there to the start of the next passage, or to the disc's end.
    """

    places: tuple[TrackPlace, ...]
    start_frame: int
    room_frames: int

    @property
    def indices(self) -> tuple[int, ...]:
        """The indexes of its tracks in the manifest."""
        return tuple(place.index for place in self.places)

    @property
    def marks(self) -> tuple[int, ...]:
        """Starts of its tracks, in frames from the start of the passage."""
        return tuple(place.start_frame - self.start_frame for place in self.places)


@dataclass(frozen=True)
class DiscOrder:
    """The running order of one disc.

    Attributes
    ----------
    number
        The disc's number, from 1.
    passages
        The passages that its tracks form.
    opening_pause_frames
        The pause before track 1, or before the hidden sound.
    frames
        Length of the image.
    hidden
        The hidden sound before track 1, at the beginning of the image.
    tail_frames
        Silence after the last track.
    sounds
        The tracks that were laid out, one per place.
    """

    number: int
    passages: tuple[Passage, ...]
    opening_pause_frames: int
    frames: int
    hidden: Passage | None = None
    tail_frames: int = 0
    sounds: tuple[TrackSound, ...] = ()

    @property
    def places(self) -> tuple[TrackPlace, ...]:
        """Its tracks in order."""
        return tuple(place for passage in self.passages for place in passage.places)

    @property
    def pause_in_image_frames(self) -> int:
        """Silence at the beginning of the image: the track 1 pause beyond its first 2 s."""
        return 0 if self.hidden else self.places[0].start_frame

    @property
    def file_frames(self) -> tuple[int, ...]:
        """Length of each track's file: up to the next track's start, with the gap before it."""
        starts = [place.start_frame for place in self.places]
        return tuple(end - start for start, end in pairwise((*starts, self.frames)))


def lay_out(
    tracks: Sequence[TrackSound],
    *,
    indices: Sequence[int] | None = None,
    hidden_samples: int = 0,
    tail_s: Fraction = Fraction(0),
) -> tuple[DiscOrder, ...]:
    """Lay tracks out on one or more discs.

    Parameters
    ----------
    tracks
        In running order. The gap of a disc's first track is the track 1 pause; after hidden sound
        it is the silence between the two.
    indices
        Index of each track in the manifest; left out, all tracks are there.
    hidden_samples
        Length of the hidden sound before track 1 of the first disc, at 44,100 Hz.
    tail_s
        Silence after each disc's last track.

    Returns
    -------
    tuple of DiscOrder
        Not checked against the limits: see `limits.limit_findings`.
    """
    discs: list[DiscOrder] = []
    of_all = range(len(tracks)) if indices is None else indices
    first = 0
    for index in range(1, len(tracks) + 1):
        if index == len(tracks) or tracks[index].opens_disc is not None:
            number = tracks[first].opens_disc or len(discs) + 1
            hidden = 0 if discs else hidden_samples
            disc = _lay_out_disc(number, tracks[first:index], of_all[first:index], hidden)
            discs.append(_with_tail(disc, tail_s))
            first = index
    return tuple(discs)


def placed_at(disc: DiscOrder, indices: Sequence[int]) -> DiscOrder:
    """Return a disc whose places have other indexes: those at their own indexes in a list."""
    passages = (
        replace(passage, places=tuple(replace(p, index=indices[p.index]) for p in passage.places))
        for passage in disc.passages
    )
    return replace(disc, passages=tuple(passages))


class _End(NamedTuple):
    """End of the last sound: its sample, and the frame at which a pause can begin."""

    sample: int
    frame: int


def _lay_out_disc(
    number: int, tracks: Sequence[TrackSound], indices: Sequence[int], hidden_samples: int
) -> DiscOrder:
    passages: list[Passage] = []
    end: _End | None = None
    opening = usual = frame_after(OPENING_PAUSE_S * DISC_RATE_HZ)
    if hidden_samples:
        end = _End(hidden_samples, frame_after(hidden_samples))
    else:
        opening = frame_after(tracks[0].gap_s * DISC_RATE_HZ)
    for chain in _chains(tracks):
        start = max(0, opening - usual)
        if end is not None:
            start = frame_after(end.sample + tracks[chain[0]].gap_s * DISC_RATE_HZ)
        if passages:
            passages[-1] = replace(passages[-1], room_frames=start - passages[-1].start_frame)
        pause_start = end.frame if end else None
        passage, end = _lay_out_chain(tracks, chain, start, pause_start, indices)
        passages.append(passage)
    first = passages[0].places[0]
    hidden = Passage((), 0, first.start_frame) if hidden_samples else None
    if first.start_frame > 0:
        first = replace(first, pause_start_frame=0)
    if not hidden:
        first = replace(first, gap_frames=opening)
    passages[0] = replace(passages[0], places=(first, *passages[0].places[1:]))
    last_frame = passages[-1].places[-1].end_frame
    return DiscOrder(number, tuple(passages), opening, last_frame, hidden, sounds=tuple(tracks))


def _lay_out_chain(
    tracks: Sequence[TrackSound],
    chain: Sequence[int],
    start_frame: int,
    pause_start_frame: int | None,
    indices: Sequence[int],
) -> tuple[Passage, _End]:
    """Lay out tracks without a gap between them, starting at a frame."""
    starts, end = [], 0  # samples from the start of the passage
    for i in chain:
        starts.append(end - samples_in(tracks[i].overlap_s, DISC_RATE_HZ))
        end = starts[-1] + tracks[i].samples
    sound_end = start_frame * SAMPLES_PER_FRAME + end
    end_frame = frame_after(sound_end)
    marks = [*(start_frame + nearest_frame(sample) for sample in starts), end_frame]
    places = [
        TrackPlace(indices[i], i + 1, 0, marks[n], marks[n + 1], further_frames=further)
        for n, i in enumerate(chain)
        for further in (_points(tracks[i], start_frame * SAMPLES_PER_FRAME + starts[n]),)
    ]
    if pause_start_frame is not None and pause_start_frame < start_frame:
        gap = start_frame - pause_start_frame
        places[0] = replace(places[0], gap_frames=gap, pause_start_frame=pause_start_frame)
    passage = Passage(tuple(places), start_frame, end_frame - start_frame)
    return passage, _End(sound_end, end_frame)


def _points(track: TrackSound, start_sample: int) -> tuple[int, ...]:
    return tuple(
        nearest_frame(start_sample + samples_in(point_s, DISC_RATE_HZ))
        for point_s in track.points_s
    )


def _with_tail(disc: DiscOrder, tail_s: Fraction) -> DiscOrder:
    tail = frame_after(tail_s * DISC_RATE_HZ)
    last = disc.passages[-1]
    longer = replace(last, room_frames=last.room_frames + tail)
    return replace(
        disc,
        passages=(*disc.passages[:-1], longer),
        frames=disc.frames + tail,
        tail_frames=tail,
    )


def _chains(tracks: Sequence[TrackSound]) -> list[list[int]]:
    chains: list[list[int]] = []
    for i, track in enumerate(tracks):
        if i > 0 and track.gap_s == 0:
            chains[-1].append(i)
        else:
            chains.append([i])
    return chains
