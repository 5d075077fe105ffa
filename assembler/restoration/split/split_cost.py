"""Which pauses are cuts: the split of a side that costs least, and how sure each cut is.

A side is a row of pauses with sound between. Song by song, a split goes from pause to pause; what
lies between two songs may be left out as talk or noise. The cost of a split is the sum of

- for each pause at which it cuts: minus the log_odds of the pause (`pauses.log_odds`),
- for each song: 2 ln²(40 s / length) if shorter than 40 s; up to 4 for t seconds of talk inside,
  4 (1 − exp(−t/3 s)) exp(−(t/25 s)²); where the list gives its duration, 2 ln(1 + (d/a)²) for a
  difference d, a = 2 s + 2 % of the duration (a song may be up to 4 s shorter than listed: lists
  often count the gap),
- for each stretch left out: 2 + (T/8 s)², T its seconds of sound, those of talk counting 0.4.

Costs are logarithms of odds, so that all splits together give how probable each cut is: the share
of all splits in which this song begins or ends there, each weighted by exp(−cost). The sum over all
splits is a forward and backward pass (Rabiner, Proc. IEEE 77, 1989, from memory). The figures
were set by ear and eye on real music, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.restoration.split.pauses import Pause, log_odds

SHORT_SONG_S = 40.0
LEAVING_OUT = 2.0
LEFT_OUT_S = 8.0
MOST_TALK = 4.0
TALK_S = 3.0
LONG_TALK_S = 25.0
TALK_EASE = 0.6
DURATION_S = 2.0
DURATION_SHARE = 0.02
LISTED_GAP_S = 4.0
_NEVER = -1e9

Table = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Stretches:
    """All stretches from one pause to a later one, as tables of [first pause, last pause].

    Attributes
    ----------
    lengths_s
        From the first pause's end to the last one's start; not positive where there is none.
    talk_s
        Seconds of talk.
    as_song, as_rest
        Minus the cost of being a song of any duration, and of being left out.
    log_odds
        Of each pause; none at the side's ends.
    """

    lengths_s: Table
    talk_s: Table
    as_song: Table
    as_rest: Table
    log_odds: NDArray[np.float64]


def stretches(pauses: Sequence[Pause], talk: NDArray[np.float64]) -> Stretches:
    """Weigh all stretches of a side.

    Parameters
    ----------
    pauses
        In their order, the side's beginning first and its end last.
    talk
        For each tenth of a second, how much it sounds like talk, from 0 to 1.
    """
    starts = np.array([pause.start_s for pause in pauses])
    ends = np.array([pause.end_s for pause in pauses])
    lengths = starts[None, :] - ends[:, None]
    lengths[np.tril_indices(len(pauses))] = 0.0
    rows = [slice(round(10 * b), round(10 * a)) for a, b in zip(starts[1:], ends[:-1], strict=True)]
    talk_s = np.array([talk[row].sum() / 10 for row in rows])
    rest_s = np.array([(1 - TALK_EASE * talk[row]).sum() / 10 for row in rows])
    talk_in, rest_in = _between(talk_s), _between(rest_s)
    with np.errstate(divide="ignore"):
        short = np.log(SHORT_SONG_S / np.clip(lengths, 0.1, SHORT_SONG_S))
    spoken = (1 - np.exp(-talk_in / TALK_S)) * np.exp(-((talk_in / LONG_TALK_S) ** 2))
    song = -2 * short**2 - MOST_TALK * spoken
    rest = -LEAVING_OUT - (rest_in / LEFT_OUT_S) ** 2
    nowhere = lengths <= 0
    song[nowhere] = rest[nowhere] = _NEVER
    weights = np.array([log_odds(pause) for pause in pauses])
    weights[[0, -1]] = 0.0
    return Stretches(lengths, talk_in, song, rest, weights)


def _between(parts: NDArray[np.float64]) -> Table:
    sums = np.concatenate(([0.0], np.cumsum(parts)))
    return np.asarray(sums[None, :] - sums[:, None])


def of_duration(lengths_s: Table, duration_s: float) -> Table:
    """Give minus the cost of each length for a song that the list gives this duration."""
    over = np.maximum(lengths_s - duration_s, duration_s - LISTED_GAP_S - lengths_s)
    allowed = DURATION_S + DURATION_SHARE * duration_s
    return np.asarray(-2 * np.log1p((np.maximum(over, 0) / allowed) ** 2))


@dataclass(frozen=True, eq=False)
class Chosen:
    """The split of so many songs that costs least.

    Attributes
    ----------
    songs
        First and last pause of each song.
    cost
        Of the split.
    begins, ends
        For each song and each pause, the probability that the song begins or ends there, shape
        (songs, pauses).
    """

    songs: tuple[tuple[int, int], ...]
    cost: float
    begins: Table
    ends: Table


Gather = Callable[[Table, int], NDArray[np.float64]]


def _total(terms: Table, axis: int) -> NDArray[np.float64]:
    """Add probabilities that are given as logarithms."""
    highest = terms.max(axis=axis, keepdims=True)
    shares = np.exp(np.maximum(terms - highest, -80))  # what underflows takes ten times as long
    return np.asarray(np.log(shares.sum(axis=axis)) + highest.squeeze(axis))


def _highest(terms: Table, axis: int) -> NDArray[np.float64]:
    return np.asarray(terms.max(axis=axis))


class Splits:
    """All splits of a side into up to so many songs.

    Parameters
    ----------
    weighed
        The side's stretches.
    most
        Songs.
    durations_s
        Of the songs in their order, where they are known.
    """

    def __init__(
        self, weighed: Stretches, most: int, durations_s: Sequence[float | None] = ()
    ) -> None:
        self._weighed = weighed
        self._most = most
        self._durations = [*durations_s, *[None] * most][:most]
        self._cut = weighed.log_odds
        self._rest = weighed.as_rest + self._cut[None, :]
        self._best = self._forward(_highest, most)

    def _song(self, number: int) -> Table:
        """Weigh all stretches as song of this number, from 0, with the cut at its end."""
        song = self._weighed.as_song + self._cut[None, :]
        duration = self._durations[number]
        return song if duration is None else song + of_duration(self._weighed.lengths_s, duration)

    def _forward(self, gather: Gather, count: int) -> tuple[Table, Table]:
        """Weigh all ways from the side's beginning to where a song may begin, and ends."""
        ready = np.full((count + 1, len(self._cut)), _NEVER)
        ended = np.full((count + 1, len(self._cut)), _NEVER)
        ready[0] = self._rest[0]
        ready[0, 0] = 0.0
        for n in range(count):
            ended[n + 1] = gather(ready[n][:, None] + self._song(n), 0)
            rested = gather(ended[n + 1][:, None] + self._rest, 0)
            ready[n + 1] = gather(np.stack((ended[n + 1], rested)), 0)
        return ready, ended

    def _backward(self, count: int) -> tuple[Table, Table]:
        """Weigh all ways on to the side's end, from where a song may begin, and ends."""
        ready = np.full((count + 1, len(self._cut)), _NEVER)
        ended = np.full((count + 1, len(self._cut)), _NEVER)
        ready[count, -1] = 0.0
        for n in range(count, -1, -1):
            if n < count:
                ready[n] = _total(self._song(n) + ended[n + 1][None, :], 1)
            rested = _total(self._rest + ready[n][None, :], 1)
            ended[n] = _total(np.stack((ready[n], rested)), 0)
        return ready, ended

    def cost(self, count: int) -> float:
        """Give the least cost of so many songs."""
        return -float(self._best[0][count, -1])

    def possible(self, count: int) -> bool:
        """Tell whether there is any split into so many songs."""
        return count <= self._most and self.cost(count) < -_NEVER / 2

    def likeliest_count(self) -> int:
        """Give the number of songs whose split costs least."""
        return int(np.argmax(self._best[0][:, -1]))

    def chosen(self, count: int) -> Chosen:
        """Give the split into so many songs that costs least."""
        ready, ended = self._forward(_total, count)
        ready_on, ended_on = self._backward(count)
        whole = ready[count, -1]
        begins = np.exp(ready[:count] + ready_on[:count] - whole)
        ends = np.exp(ended[1 : count + 1] + ended_on[1:] - whole)
        return Chosen(self.way(count), self.cost(count), begins, ends)

    def way(self, count: int) -> tuple[tuple[int, int], ...]:
        """Give first and last pause of each song of the split that costs least."""
        ready, ended = self._best
        songs: list[tuple[int, int]] = []
        at = len(self._cut) - 1
        for n in range(count, 0, -1):
            rested = ended[n] + self._rest[:, at]
            if rested.max() > ended[n][at]:
                at = int(np.argmax(rested))
            first = int(np.argmax(ready[n - 1] + self._song(n - 1)[:, at]))
            songs.append((first, at))
            at = first
        return tuple(reversed(songs))
