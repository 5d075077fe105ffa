"""Make hum of known level, steady or not, to be added to sound."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LEVELS_DB = {1: -2.0, 2: 0.0, 3: -5.0, 4: -10.0, 5: -10.0, 6: -14.0}
"""Levels of the harmonics, relative."""
RIGHT = 0.7
"""Gain of the right channel re left."""
DRIFT = 0.002
DRIFT_PERIOD_S = 60.0
ON_FROM, ON_UNTIL = 0.3, 0.7
"""Shares of the sound between which switched hum is on."""
STEP_AT, STEP_DB = 0.5, 10.0
SWELL_DB, SWELL_PERIOD_S = 6.0, 120.0


def _steady(at_s: Array) -> Array:
    return np.zeros(len(at_s))


def _drifting(at_s: Array) -> Array:
    return DRIFT * np.sin(2 * np.pi * at_s / DRIFT_PERIOD_S)


def _full(at_s: Array) -> Array:
    return np.ones(len(at_s))


def _switched(at_s: Array) -> Array:
    share = at_s / at_s[-1]
    return ((share >= ON_FROM) & (share < ON_UNTIL)).astype(np.float64)


def _stepped(at_s: Array) -> Array:
    return np.where(at_s < STEP_AT * at_s[-1], 10 ** (-STEP_DB / 20), 1.0)


def _swelling(at_s: Array) -> Array:
    swell: Array = 10 ** (SWELL_DB / 20 * np.sin(2 * np.pi * at_s / SWELL_PERIOD_S))
    return swell


SORTS: dict[str, tuple[Callable[[Array], Array], Callable[[Array], Array]]] = {
    "steady": (_steady, _full),
    "drifting": (_drifting, _full),
    "switched": (_steady, _switched),
    "stepped": (_steady, _stepped),
    "swelling": (_steady, _swelling),
}
"""Deviation of the pitch as a share, and gain, by sort of hum."""


def added_hum(sort: str, dbfs: float, frames: int, rate_hz: int, mains_hz: float = 50.0) -> Array:
    """Return hum, shape (frames, 2); its mean level where its gain is 1 is `dbfs`."""
    at_s = np.arange(frames) / rate_hz
    deviation, gain = SORTS[sort]
    turns = mains_hz * np.cumsum(1 + deviation(at_s)) / rate_hz
    wave = sum(
        10 ** (level_db / 20) * np.sin(2 * np.pi * number * turns + number**2)
        for number, level_db in LEVELS_DB.items()
    )
    power = sum(10 ** (level_db / 10) for level_db in LEVELS_DB.values()) * (1 + RIGHT**2) / 2
    mono = 10 ** (dbfs / 20) / np.sqrt(power) * gain(at_s) * wave
    return np.stack((mono, RIGHT * mono), axis=1)
