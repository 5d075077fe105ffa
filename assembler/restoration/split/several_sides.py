"""One song list for several sides: how many of its songs each side holds."""

from __future__ import annotations

from collections.abc import Sequence

from assembler.draft.song_list import ListedSong
from assembler.errors import AssemblerError
from assembler.restoration.analysis.programme import ProgrammeReading
from assembler.restoration.split.split import Split, propose_songs

_ROUND_ABOUT = 3
"""So many songs more or fewer than its pauses tell are tried for a side."""


def split_sides(
    sides: Sequence[tuple[str, ProgrammeReading]],
    count: int | None,
    songs: Sequence[ListedSong] | None,
) -> list[tuple[str, Split]]:
    """Find the songs of sides, whose song list runs through them in order.

    Parameters
    ----------
    sides
        Name and level of each.
    count
        Songs on all of them; None: as many as the list has, or as the pauses tell.
    songs
        The list.

    Raises
    ------
    AssemblerError
        A side holds no song, or there are fewer songs than sides.
    """
    if count is None and songs is not None:
        count = len(songs)
    if songs is not None and not songs:
        raise AssemblerError("the song list is empty: write a title a line, or name a --count")
    counts: list[int | None] = [None] * len(sides)
    if count is not None:
        counts = [count] if len(sides) == 1 else list(_shares(sides, count))
    splits, first = [], 0
    for (name, reading), of_side in zip(sides, counts, strict=True):
        durations = None
        if songs is not None and of_side is not None and count == len(songs):
            durations = [song.duration_s for song in songs[first : first + of_side]]
        split = propose_songs(reading, of_side, durations, name)
        splits.append((name, split))
        first += len(split.songs)
    return splits


def _shares(sides: Sequence[tuple[str, ProgrammeReading]], count: int) -> tuple[int, ...]:
    """Share songs out over sides so that all their splits together cost least."""
    best: dict[int, tuple[float, tuple[int, ...]]] = {0: (0.0, ())}
    for name, reading in sides:
        alone = propose_songs(reading, None, None, name).count_alone
        tried = range(max(1, alone - _ROUND_ABOUT), alone + _ROUND_ABOUT + 1)
        found = {n: propose_songs(reading, n, None, name) for n in tried}
        costs = {n: split.cost for n, split in found.items() if len(split.songs) == n}
        longer: dict[int, tuple[float, tuple[int, ...]]] = {}
        for so_far, (cost, shares) in best.items():
            for n, more in costs.items():
                way = (cost + more, (*shares, n))
                longer[so_far + n] = min(longer.get(so_far + n, way), way)
        best = longer
    if count not in best:
        told = f"{min(best)} to {max(best)}"
        raise AssemblerError(
            f"{count} songs are named for {len(sides)} sides that seem to hold {told}: give each "
            "side its own list"
        )
    return best[count][1]
