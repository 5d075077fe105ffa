"""Pitch of hum over a stretch of a side, and where on a side hum sounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.text import clock_text

PITCH_STEP_S = 2.0
"""From one value of a pitch that drifts to the next."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class HumStretch:
    """Part of a side with hum."""

    start_s: float
    end_s: float | None
    """None for the end of the side."""
    mains_hz: tuple[float, ...]
    """Mains frequency: one value if it is steady, else one each `PITCH_STEP_S` from the start."""

    @property
    def is_steady(self) -> bool:
        """Whether the mains frequency does not drift."""
        return len(self.mains_hz) == 1

    @cached_property
    def _course(self) -> tuple[Array, Array]:
        """The mains frequency at each step, and its phase there in turns."""
        hz = np.array(self.mains_hz)
        return hz, np.concatenate(([0.0], np.cumsum((hz[1:] + hz[:-1]) / 2 * PITCH_STEP_S)))

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> HumStretch:
        """Return a stretch from its plain data."""
        return cls(data["start_s"], data["end_s"], tuple(data["mains_hz"]))

    def turns(self, at_s: Array | float) -> Array:
        """Return the phase of the mains frequency at times from the start, in turns."""
        if self.is_steady:
            return np.asarray(self.mains_hz[0] * at_s, np.float64)
        hz, done = self._course
        steps = np.asarray(at_s) / PITCH_STEP_S
        at = np.clip(np.floor(steps).astype(int), 0, len(hz) - 2)
        past_s = (steps - at) * PITCH_STEP_S
        slope = (hz[at + 1] - hz[at]) / PITCH_STEP_S
        turns: Array = done[at] + past_s * (hz[at] + slope * past_s / 2)
        return turns


def pitch_text(mains_hz: float, stretches: Sequence[HumStretch], digits: int) -> str:
    """Return the mains frequency of hum as people read it, with its range if it drifts."""
    drifting = [hz for stretch in stretches if not stretch.is_steady for hz in stretch.mains_hz]
    ends = {f"{hz:.{digits}f}" for hz in (min(drifting), max(drifting))} if drifting else set()
    return f"{' to '.join(sorted(ends)) or f'{mains_hz:.{digits}f}'} Hz"


def where_text(stretches: Sequence[HumStretch]) -> str:
    """Return where hum is on as people read it: `` from 0:54.00 to 2:06.00``; empty if all over."""
    parts: list[tuple[float, float | None]] = []
    for stretch in stretches:
        joins = parts and parts[-1][1] == stretch.start_s
        start_s = parts.pop()[0] if joins else stretch.start_s
        parts.append((start_s, stretch.end_s))
    if parts in ([], [(0.0, None)]):
        return ""
    ends = [(clock_text(a), "the end" if b is None else clock_text(b)) for a, b in parts]
    return " from " + ", ".join(f"{start} to {end}" for start, end in ends)
