"""Sound for the proof: clips around joins, and listening copies where no download is playable."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from assembler.cache.keys import named_key
from assembler.dsp.dither import samples_of
from assembler.mastering.render import FinishedTrack, excerpt
from assembler.proof.joins import joins, write_join_clip, write_mp3
from assembler.release.artifact_cache import ArtifactCache
from assembler.sequence import DiscOrder
from assembler.sequence.frames import SAMPLES_PER_FRAME


def clips(
    folder: Path, discs: Sequence[DiscOrder], tracks: Sequence[FinishedTrack], cache: ArtifactCache
) -> Iterator[Callable[[], Path]]:
    """Return a function per join that writes its clip, to run in parallel.

    With several discs, a clip's name begins with the disc's number.

    Parameters
    ----------
    folder
        To write into.
    discs, tracks
        The running order, and the disc's finished tracks in the manifest's order.
    cache
        Finished work.
    """
    for disc in discs:
        disc_tracks = [tracks[place.index] for place in disc.places]
        opening = disc.places[0].start_frame * SAMPLES_PER_FRAME
        prefix = f"{disc.number}-" if len(discs) > 1 else ""
        for n, (name, start, end) in enumerate(joins(disc)):
            begin = disc.places[n].start_frame * SAMPLES_PER_FRAME
            pair = [track.key for track in disc_tracks[n : n + 2]]
            key = named_key("join", {"position of the join": [start - begin, end - begin]}, pair)
            make = partial(_write, disc_tracks, start - opening, end - opening)
            yield partial(cache.release_file, folder / f"{prefix}{name}.mp3", key, make)


def listening_copies(
    folder: Path, tracks: Sequence[FinishedTrack], bits: int, cache: ArtifactCache
) -> Iterator[Callable[[], Path]]:
    """Return a function per track that writes a listening copy, to run in parallel.

    Parameters
    ----------
    folder
        To write into.
    tracks
        Finished tracks in the manifest's order.
    bits
        Their bit depth.
    cache
        Finished work.
    """
    for number, track in enumerate(tracks, 1):
        key = named_key("listening copy", {"bit depth": bits}, [track.key])
        make = partial(_write_copy, track, bits)
        yield partial(cache.release_file, folder / copy_name(number), key, make)


def copy_name(number: int) -> str:
    """Return the file name of a track's listening copy, by its number in the release."""
    return f"{number:02d}.mp3"


def _write_copy(track: FinishedTrack, bits: int, path: Path) -> None:
    blocks = (samples_of(block, bits) for block in track.pcm(bits))
    write_mp3((np.ascontiguousarray(b, "<f4").data.cast("B") for b in blocks), track.rate_hz, path)


def _write(tracks: Sequence[FinishedTrack], start: int, end: int, path: Path) -> None:
    write_join_clip(excerpt(tracks, start, end), path)
