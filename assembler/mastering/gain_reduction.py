"""Gain reduction of each track of a passage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from assembler.dsp.limiter import GainReduction

COURSE_STEPS_PER_SECOND = 10


@dataclass(frozen=True)
class TrackGainReduction:
    """Gain reduction on one track."""

    most_db: float
    """Maximum gain reduction."""
    at_s: float
    """Time of the maximum, from the start of the track."""
    share_above_1_db: float
    share_above_3_db: float
    """Share of the track's time with more gain reduction than 1 dB and 3 dB."""
    mean_db: float
    """Mean over the track's time."""
    course_db: tuple[float, ...] = ()
    """Maximum gain reduction in each 0.1 s of the track."""
    image_drift_db: float | None = None
    image_drift_mean_db: float | None = None
    """Maximum and mean change of the balance between left and right; None where both always have
    the same gain reduction."""

    @property
    def db_95(self) -> float:
        """The gain reduction that 95 % of the steps of the course don't exceed."""
        return float(np.percentile(self.course_db, 95)) if self.course_db else 0.0


class GainReductionLog:
    """Collects the gain reduction of each track of a passage, block by block.

    Parameters
    ----------
    rate_hz
        Sample rate.
    ends
        Sample after the last of each track's sound.
    """

    def __init__(self, rate_hz: int, ends: Sequence[int]) -> None:
        self._rate_hz = rate_hz
        self._step = rate_hz // COURSE_STEPS_PER_SECOND
        self._ends = ends
        self._starts = (0, *ends)
        self._position = 0
        count = len(ends)
        self._most = [0.0] * count
        self._at = [0] * count
        self._above_1 = [0] * count
        self._above_3 = [0] * count
        self._sums = [0.0] * count
        self._courses: list[dict[int, float]] = [{} for _ in ends]
        self._are_linked = True
        self._drifts = [(0.0, 0.0)] * count

    def add(self, gain_reduction: GainReduction) -> None:
        """Add the gain reduction of the next samples: of both channels, or of each."""
        position = self._position
        self._position += len(gain_reduction)
        each = gain_reduction if gain_reduction.ndim == 2 else None
        self._are_linked &= each is None
        if not gain_reduction.any():
            return
        if each is not None:
            gain_reduction = each.max(axis=1)
        for i, end in enumerate(self._ends):
            first = max(self._starts[i] - position, 0)
            part = gain_reduction[first : max(end - position, 0)]
            if not len(part):
                continue
            peak = int(part.argmax())
            if part[peak] > self._most[i]:
                self._most[i] = float(part[peak])
                self._at[i] = position + first + peak - self._starts[i]
            if each is not None:
                self._add_drift(i, np.abs(np.diff(each[first : first + len(part)])))
            self._sums[i] += float(part.sum())
            self._add_to_course(i, position + first - self._starts[i], part)
            self._above_1[i] += int((part > 1).sum())
            self._above_3[i] += int((part > 3).sum())

    def _add_drift(self, i: int, drift: GainReduction) -> None:
        most_db, total = self._drifts[i]
        self._drifts[i] = max(most_db, float(drift.max())), total + float(drift.sum())

    def _add_to_course(self, i: int, position: int, part: GainReduction) -> None:
        """Keep the maximum gain reduction of each step that these samples reach into."""
        step = self._step
        edges = np.arange(-(-position // step) * step, position + len(part), step) - position
        starts = np.unique(np.concatenate(([0], edges)))
        course = self._courses[i]
        for start, peak in zip(starts, np.maximum.reduceat(part, starts), strict=True):
            place = (position + int(start)) // step
            course[place] = max(course.get(place, 0.0), float(peak))

    def _course(self, i: int, length: int) -> tuple[float, ...]:
        steps = -(-length // self._step)
        return tuple(round(self._courses[i].get(place, 0.0), 2) for place in range(steps))

    def tracks(self) -> list[TrackGainReduction]:
        """Return the gain reduction of each track."""
        lengths = [b - a for a, b in pairwise(self._starts)]
        return [
            TrackGainReduction(
                most_db=self._most[i],
                at_s=self._at[i] / self._rate_hz,
                share_above_1_db=self._above_1[i] / max(1, lengths[i]),
                share_above_3_db=self._above_3[i] / max(1, lengths[i]),
                mean_db=self._sums[i] / max(1, lengths[i]),
                course_db=self._course(i, lengths[i]),
                image_drift_db=None if self._are_linked else drift_db,
                image_drift_mean_db=None if self._are_linked else drift_sum / max(1, lengths[i]),
            )
            for i, (drift_db, drift_sum) in enumerate(self._drifts)
        ]
