"""Find where samples of the image are in a rip: short windows, matched exactly, that vote.

A shift is a position in the rip minus the position in the image of the same sample.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from assembler.rip.samples import Row, Samples, stereo
from assembler.sequence.frames import DISC_RATE_HZ

WINDOW = 64
"""Samples of a window: two windows of music that agree in all of them are the same place."""
_LEAST_VALUES = WINDOW // 2
"""Different samples that a window must have; silence and test tones have fewer."""
_MOST_PLACES = 8
"""A window found more often repeats in the music and does not vote."""
_SEARCHED = DISC_RATE_HZ
_BLOCK = 1 << 22


def distinctive(image: Samples, first: int, end: int, count: int) -> list[int]:
    """Return up to `count` positions of windows that are not silence or a plain tone.

    Parameters
    ----------
    image
        The image.
    first, end
        Samples to search.
    count
        Number of equal parts of these, each with one window at most.
    """
    edges = np.linspace(first, end, count + 1).astype(np.int64).tolist()
    found = (_loud_window(image, start, stop) for start, stop in pairwise(edges))
    return [position for position in found if position is not None]


def _loud_window(image: Samples, first: int, end: int) -> int | None:
    """Return the position of a window about the loudest sample of a second within a part."""
    middle = (first + end) // 2
    for start in (middle, first):
        row = image.read(start, min(end, start + _SEARCHED))
        if len(row) < WINDOW:
            continue
        loudest = int(np.abs(stereo(row).astype(np.int32)).sum(axis=1).argmax())
        at = min(loudest, len(row) - WINDOW)
        if len(np.unique(row[at : at + WINDOW])) >= _LEAST_VALUES:
            return start + at
    return None


def near(
    image: Samples, rip: Samples, positions: Iterable[int], shift: int, reach: int
) -> Counter[int]:
    """Count the shifts, up to `reach` around one, at which windows of the image are in the rip."""
    votes: Counter[int] = Counter()
    for position in positions:
        first = position + shift - reach
        row = rip.read(first, position + shift + reach + WINDOW)
        window = image.read(position, position + WINDOW)
        places = [max(first, 0) + place - position for place in _places(row, window)]
        if len(places) <= _MOST_PLACES:
            votes.update(places)
    return votes


def anywhere(image: Samples, rip: Samples, positions: Iterable[int]) -> Counter[int]:
    """Count the shifts at which windows of the image are in the rip, wherever they are."""
    windows = [(position, image.read(position, position + WINDOW)) for position in positions]
    places: dict[int, list[int]] = {position: [] for position, _ in windows}
    for start in range(0, rip.length, _BLOCK):
        row = rip.read(start, start + _BLOCK + WINDOW - 1)
        for position, window in windows:
            if len(places[position]) <= _MOST_PLACES:
                places[position] += [start + place - position for place in _places(row, window)]
    return Counter(
        shift for found in places.values() if len(found) <= _MOST_PLACES for shift in found
    )


def winner(votes: Counter[int], least: int = 2) -> int | None:
    """Return the shift with most votes, the smallest of equals; None below `least` votes."""
    ordered = sorted(votes.items(), key=lambda item: (-item[1], abs(item[0])))
    return ordered[0][0] if ordered and ordered[0][1] >= least else None


def _places(row: Row, window: Row) -> Iterator[int]:
    """Yield where a window begins in a row of samples."""
    rarest = int(np.abs(stereo(window).astype(np.int32)).sum(axis=1).argmax())
    last = len(row) - WINDOW + 1
    if last <= 0:
        return
    hits: NDArray[np.int64] = np.flatnonzero(row[rarest : rarest + last] == window[rarest])
    for place in hits[: 1 << 12].tolist():
        if np.array_equal(row[place : place + WINDOW], window):
            yield place
