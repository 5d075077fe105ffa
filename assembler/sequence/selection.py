"""The running order of some of the tracks: an edition, or a trial."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import count

from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sequence.order import TrackSound


class LeftOutError(ValueError):
    """A track, by its index, that can't be left out."""

    def __init__(self, index: int, reason: str) -> None:
        super().__init__(reason)
        self.index = index


def keep(tracks: Sequence[TrackSound], indices: Collection[int]) -> list[TrackSound]:
    """Return some of the tracks; without the one that opens a disc, the next one opens it.

    Gaps and overlaps are then those with the track before that is left. Discs are numbered from 1.

    Raises
    ------
    LeftOutError
        A track would overlap more of the track that is then before it than is free.
    """
    kept: list[TrackSound] = []
    opening: TrackSound | None = None
    for index, track in enumerate(tracks):
        if index == 0 or track.opens_disc is not None:
            opening = track
        if index not in indices:
            continue
        if opening is not None and opening is not track:
            track = replace(
                track, opens_disc=opening.opens_disc, gap_s=opening.gap_s, overlap_s=Fraction(0)
            )
        elif opening is None and track.overlap_s and index - 1 not in indices:
            room_s = Fraction(kept[-1].samples, DISC_RATE_HZ) - kept[-1].overlap_s
            if track.overlap_s >= room_s:
                reason = "the overlap after it is longer than what is free of the track before it"
                raise LeftOutError(index - 1, reason)
        opening = None
        kept.append(track)
    return kept if len(kept) == len(tracks) else _numbered(kept)


def _numbered(tracks: Sequence[TrackSound]) -> list[TrackSound]:
    """Return the tracks with discs numbered from 1."""
    numbers = count(1)
    return [
        replace(track, opens_disc=next(numbers))
        if index == 0 or track.opens_disc is not None
        else track
        for index, track in enumerate(tracks)
    ]
