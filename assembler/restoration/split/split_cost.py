"""Find the split of a side with the least cost, and the probability of each cut.

A side is a sequence of pauses with sound between them. A split goes song by song from pause to
pause; sound between two songs may be left out as talk or noise. The cost of a split is the sum of

- for each pause at which it cuts: minus the log_odds of the pause (`pauses.log_odds`),
- for each song: 2 ln²(40 s / length) if shorter than 40 s; up to 4 for t seconds of talk inside,
  4 (1 − exp(−t/3 s)) exp(−(t/25 s)²); where the list gives its duration, 2 ln(1 + (d/a)²) for a
  difference d, a = 2 s + 2 % of the duration (a song may be up to 4 s shorter than listed: lists
  often include the gap),
- for each passage left out: 2 + (T/8 s)², T its seconds of sound, those of talk counting 0.4.

Costs are negative log odds, so the probability of a cut is the share of all splits in which this
song starts or ends there, each weighted by exp(−cost). The best split is found by the Viterbi
algorithm, the sum over all splits by the forward-backward algorithm (Rabiner, Proc. IEEE 77, 1989,
from memory). The figures were tuned empirically on real music.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.restoration.split.pauses import Pause, log_odds

SHORT_SONG_S = 40.0
LEFT_OUT_COST = 2.0
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
class SpanScores:
    """Scores of all spans from one pause to a later one, as tables of [first pause, last pause]."""

    lengths_s: Table
    """From the end of the first pause to the start of the last; not positive if there is no
    span."""
    talk_s: Table
    as_song: Table
    as_left_out: Table
    """Negative cost as a song of any duration, and as a passage left out."""
    log_odds: NDArray[np.float64]
    """Of each pause; 0 at the ends of the side."""


def span_scores(pauses: Sequence[Pause], talk: NDArray[np.float64]) -> SpanScores:
    """Return the scores of all spans of a side.

    Parameters
    ----------
    pauses
        In order, the start of the side first and its end last.
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
    rest = -LEFT_OUT_COST - (rest_in / LEFT_OUT_S) ** 2
    impossible = lengths <= 0
    song[impossible] = rest[impossible] = _NEVER
    weights = np.array([log_odds(pause) for pause in pauses])
    weights[[0, -1]] = 0.0
    return SpanScores(lengths, talk_in, song, rest, weights)


def _between(parts: NDArray[np.float64]) -> Table:
    sums = np.concatenate(([0.0], np.cumsum(parts)))
    return np.asarray(sums[None, :] - sums[:, None])


def duration_scores(lengths_s: Table, duration_s: float) -> Table:
    """Return the negative cost of each length for a song with a listed duration."""
    over = np.maximum(lengths_s - duration_s, duration_s - LISTED_GAP_S - lengths_s)
    allowed = DURATION_S + DURATION_SHARE * duration_s
    return np.asarray(-2 * np.log1p((np.maximum(over, 0) / allowed) ** 2))


@dataclass(frozen=True, eq=False)
class BestSplit:
    """The split into a number of songs with the least cost."""

    songs: tuple[tuple[int, int], ...]
    """First and last pause of each song."""
    cost: float
    begins: Table
    ends: Table
    """For each song and pause, the probability that the song starts or ends there, shape (songs,
    pauses)."""


Combine = Callable[[Table, int], NDArray[np.float64]]


def _log_sum(terms: Table, axis: int) -> NDArray[np.float64]:
    """Return the logarithm of the sum of probabilities given as logarithms."""
    highest = terms.max(axis=axis, keepdims=True)
    shares = np.exp(np.maximum(terms - highest, -80))  # denormals would take ten times as long
    return np.asarray(np.log(shares.sum(axis=axis)) + highest.squeeze(axis))


def _maximum(terms: Table, axis: int) -> NDArray[np.float64]:
    return np.asarray(terms.max(axis=axis))


class SplitSearch:
    """Search over all splits of a side into up to `most` songs.

    Parameters
    ----------
    scores, most
        Scores of the side's spans, and the largest number of songs.
    durations_s
        Listed durations of the songs in order; None where unknown.
    """

    def __init__(
        self, scores: SpanScores, most: int, durations_s: Sequence[float | None] = ()
    ) -> None:
        self._scores = scores
        self._most = most
        self._durations = [*durations_s, *[None] * most][:most]
        self._cut = scores.log_odds
        self._left_out = scores.as_left_out + self._cut[None, :]
        self._viterbi = self._forward(_maximum, most)

    def _song(self, number: int) -> Table:
        """Return the scores of all spans as this song, from 0, with the cut at its end."""
        song = self._scores.as_song + self._cut[None, :]
        duration = self._durations[number]
        return (
            song if duration is None else song + duration_scores(self._scores.lengths_s, duration)
        )

    def _forward(self, combine: Combine, count: int) -> tuple[Table, Table]:
        """Return the scores from the start of the side to each start and end of a song."""
        ready = np.full((count + 1, len(self._cut)), _NEVER)
        ended = np.full((count + 1, len(self._cut)), _NEVER)
        ready[0] = self._left_out[0]
        ready[0, 0] = 0.0
        for n in range(count):
            ended[n + 1] = combine(ready[n][:, None] + self._song(n), 0)
            rested = combine(ended[n + 1][:, None] + self._left_out, 0)
            ready[n + 1] = combine(np.stack((ended[n + 1], rested)), 0)
        return ready, ended

    def _backward(self, count: int) -> tuple[Table, Table]:
        """Return the scores from each start and end of a song to the end of the side."""
        ready = np.full((count + 1, len(self._cut)), _NEVER)
        ended = np.full((count + 1, len(self._cut)), _NEVER)
        ready[count, -1] = 0.0
        for n in range(count, -1, -1):
            if n < count:
                ready[n] = _log_sum(self._song(n) + ended[n + 1][None, :], 1)
            rested = _log_sum(self._left_out + ready[n][None, :], 1)
            ended[n] = _log_sum(np.stack((ready[n], rested)), 0)
        return ready, ended

    def cost(self, count: int) -> float:
        """Return the least cost of a number of songs."""
        return -float(self._viterbi[0][count, -1])

    def is_possible(self, count: int) -> bool:
        """Return whether any split into so many songs exists."""
        return count <= self._most and self.cost(count) < -_NEVER / 2

    def likeliest_count(self) -> int:
        """Return the number of songs with the least cost."""
        return int(np.argmax(self._viterbi[0][:, -1]))

    def best(self, count: int) -> BestSplit:
        """Return the split into so many songs with the least cost."""
        ready, ended = self._forward(_log_sum, count)
        ready_after, ended_after = self._backward(count)
        total = ready[count, -1]
        begins = np.exp(ready[:count] + ready_after[:count] - total)
        ends = np.exp(ended[1 : count + 1] + ended_after[1:] - total)
        return BestSplit(self.best_path(count), self.cost(count), begins, ends)

    def best_path(self, count: int) -> tuple[tuple[int, int], ...]:
        """Return the first and last pause of each song of the best split."""
        ready, ended = self._viterbi
        songs: list[tuple[int, int]] = []
        at = len(self._cut) - 1
        for n in range(count, 0, -1):
            rested = ended[n] + self._left_out[:, at]
            if rested.max() > ended[n][at]:
                at = int(np.argmax(rested))
            first = int(np.argmax(ready[n - 1] + self._song(n - 1)[:, at]))
            songs.append((first, at))
            at = first
        return tuple(reversed(songs))
