"""Sound for the proof: clips around joins, and listening copies where no download is playable."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from assembler.cache.keys import Key, named_key
from assembler.dsp.dither import samples_of
from assembler.mastering.render import FinishedTrack, excerpt
from assembler.proof.joins import MP3_192, joins, write_copy, write_join_clip
from assembler.release.artifact_cache import ArtifactCache
from assembler.sequence import DiscOrder
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME


@dataclass(frozen=True)
class Clip:
    """A clip around a join: its file, the indices of its two tracks, its first and end sample.

    The samples count from the start of the first of the two tracks.
    """

    path: Path
    indices: tuple[int, int]
    start: int
    end: int

    @property
    def duration_s(self) -> float:
        """Its length in seconds."""
        return (self.end - self.start) / DISC_RATE_HZ

    def key(self, pair: Sequence[FinishedTrack], coding: Sequence[str] = MP3_192) -> Key:
        """Return the key of its file, from its two tracks."""
        parts = {"position of the join": [self.start, self.end], "coding": list(coding)}
        return named_key("join", parts, [track.key for track in pair])

    def encode(
        self, pair: Sequence[FinishedTrack], target: Path, coding: Sequence[str] = MP3_192
    ) -> None:
        """Write it to any path."""
        write_join_clip(excerpt(pair, self.start, self.end), target, coding)

    def write(self, pair: Sequence[FinishedTrack], cache: ArtifactCache) -> Path:
        """Write the clip of the release from its two tracks."""
        return cache.cached_release_file(self.path, self.key(pair), partial(self.encode, pair))


def clips(folder: Path, discs: Sequence[DiscOrder]) -> Iterator[Clip]:
    """Return the clip of each join.

    With several discs, a clip's name begins with the disc's number.

    Parameters
    ----------
    folder
        To write into.
    discs
        The running order.
    """
    for disc in discs:
        prefix = f"{disc.number}-" if len(discs) > 1 else ""
        for n, (name, start, end) in enumerate(joins(disc)):
            begin = disc.places[n].start_frame * SAMPLES_PER_FRAME
            indices = (disc.places[n].index, disc.places[n + 1].index)
            path = folder / f"{prefix}{name}.mp3"
            yield Clip(path, indices, start - begin, end - begin)


def encode_copy(
    track: FinishedTrack, bits: int, target: Path, coding: Sequence[str] = MP3_192
) -> None:
    """Encode a track of a bit depth to any path."""
    blocks = (samples_of(block, bits) for block in track.pcm(bits))
    raw = (np.ascontiguousarray(block, "<f4").data.cast("B") for block in blocks)
    write_copy(raw, track.rate_hz, target, coding)


def write_listening_copy(
    folder: Path, number: int, track: FinishedTrack, bits: int, cache: ArtifactCache
) -> Path:
    """Write a track's listening copy.

    Parameters
    ----------
    folder
        To write into.
    number
        The track's, in the release.
    track
        The track.
    bits
        Its bit depth.
    cache
        Finished work.
    """

    key = named_key("listening copy", {"bit depth": bits}, [track.key])
    make = partial(encode_copy, track, bits)
    return cache.cached_release_file(folder / copy_name(number), key, make)


def copy_name(number: int) -> str:
    """Return the file name of a track's listening copy, by its number in the release."""
    return f"{number:02d}.mp3"
