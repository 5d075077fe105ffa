"""What the limiter did to each track of a passage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from assembler.sound.limiter import Attenuation


@dataclass(frozen=True)
class Limiting:
    """What the limiter did to one track.

    Attributes
    ----------
    most_db
        The deepest attenuation.
    at_s
        When, from the start of the track.
    share_above_1_db, share_above_3_db
        Of the track's time.
    """

    most_db: float
    at_s: float
    share_above_1_db: float
    share_above_3_db: float


class LimitingLog:
    """Attenuation of each track of a passage, as it passes.

    Parameters
    ----------
    rate_hz
        Sample rate.
    ends
        Sample after the last of each track's sound.
    """

    def __init__(self, rate_hz: int, ends: Sequence[int]) -> None:
        self._rate_hz = rate_hz
        self._ends = ends
        self._starts = (0, *ends)
        self._position = 0
        count = len(ends)
        self._most = [0.0] * count
        self._at = [0] * count
        self._above_1 = [0] * count
        self._above_3 = [0] * count

    def add(self, attenuation: Attenuation) -> None:
        """Take the attenuation of the next samples."""
        position = self._position
        self._position += len(attenuation)
        if not attenuation.any():
            return
        for i, end in enumerate(self._ends):
            first = max(self._starts[i] - position, 0)
            part = attenuation[first : max(end - position, 0)]
            if not len(part):
                continue
            deepest = int(part.argmax())
            if part[deepest] > self._most[i]:
                self._most[i] = float(part[deepest])
                self._at[i] = position + first + deepest - self._starts[i]
            self._above_1[i] += int((part > 1).sum())
            self._above_3[i] += int((part > 3).sum())

    def tracks(self) -> list[Limiting]:
        """Give what was done to each track."""
        lengths = [b - a for a, b in pairwise(self._starts)]
        return [
            Limiting(
                most_db=self._most[i],
                at_s=self._at[i] / self._rate_hz,
                share_above_1_db=self._above_1[i] / max(1, lengths[i]),
                share_above_3_db=self._above_3[i] / max(1, lengths[i]),
            )
            for i in range(len(lengths))
        ]
