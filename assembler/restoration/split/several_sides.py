"""Split several sides by one song list."""

from __future__ import annotations

from collections.abc import Sequence

from assembler.draft.song_list import ListedSong
from assembler.errors import AssemblerError
from assembler.restoration.analysis.programme import ProgrammeReading
from assembler.restoration.split.split import Split, propose_songs

_TRIED = 3
"""Songs more or fewer than the pauses suggest that are tried for a side."""


def split_sides(
    sides: Sequence[tuple[str, ProgrammeReading]],
    count: int | None,
    songs: Sequence[ListedSong] | None,
) -> list[tuple[str, Split]]:
    """Find the songs of sides that share one song list, in order.

    Parameters
    ----------
    sides
        Name and levels of each.
    count, songs
        Songs on all sides, and their list; without a count, as many as in the list, else by the
        pauses.

    Raises
    ------
    AssemblerError
        A side has no song, or there are fewer songs than sides.
    """
    if count is None and songs is not None:
        count = len(songs)
    if songs is not None and not songs:
        raise AssemblerError("the song list is empty: write one title per line, or give --count")
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
    """Return the number of songs per side for which the total cost of all splits is least."""
    best: dict[int, tuple[float, tuple[int, ...]]] = {0: (0.0, ())}
    for name, reading in sides:
        alone = propose_songs(reading, None, None, name).count_alone
        counts = range(max(1, alone - _TRIED), alone + _TRIED + 1)
        found = {n: propose_songs(reading, n, None, name) for n in counts}
        costs = {n: split.cost for n, split in found.items() if len(split.songs) == n}
        longer: dict[int, tuple[float, tuple[int, ...]]] = {}
        for total, (cost, shares) in best.items():
            for n, added in costs.items():
                candidate = (cost + added, (*shares, n))
                longer[total + n] = min(longer.get(total + n, candidate), candidate)
        best = longer
    if count not in best:
        raise AssemblerError(
            f"{count} songs expected on {len(sides)} sides that seem to have {min(best)} to "
            f"{max(best)}: give each side its own list"
        )
    return best[count][1]
