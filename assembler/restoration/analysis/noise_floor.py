"""The noise floor of a side, and where sound stands over it; common practice, no source."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Levels = NDArray[np.float32]

LOWEST_DB = -120.0
"""Whatever is lower reads as this: digital silence."""
LEAST_FLOOR_DB = -100.0
"""A floor below is taken as this: nobody hears what lies under it."""
HIGHEST_FLOOR_DB = -40.0
"""No noise of a tape that is worth a transfer is louder: what holds still above is music."""
OVER_FLOOR_DB = 3.0
WIDE_OVER_FLOOR_DB = 6.0
"""Bass alone must stand this far over the floor, which rumble and hum make restless."""
_PRINT_STEPS = 10
_OVER_PRINT_DB, _PRINT_SCATTERS = 1.5, 5.0
_TENTH = 10
_STEADY_TENTHS = 5
_STEADY_DB = 2.5
_NARROW_DB = 3.0
_SCATTERS = 4.0


def smoothed(levels_db: Levels, steps: int) -> Levels:
    """Give the mean level of so many steps around each."""
    energies = 10 ** (levels_db.astype(np.float64) / 10)
    if len(energies) < steps:
        return levels_db
    padded = np.pad(energies, steps // 2, mode="edge")
    means = np.convolve(padded, np.full(steps, 1 / steps), "valid")[: len(energies)]
    return np.asarray(10 * np.log10(means), np.float32)


def tenths(levels_db: Levels) -> Levels:
    """Give the mean level of each tenth of a second; a rest that is shorter is left out."""
    whole = len(levels_db) // _TENTH
    energies = 10 ** (levels_db[: whole * _TENTH].astype(np.float64) / 10)
    return np.asarray(10 * np.log10(energies.reshape(whole, _TENTH).mean(axis=1)), np.float32)


def runs(where: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Give first place and place after the last of each unbroken stretch, shape (stretches, 2)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], where, [False])).astype(np.int8)))
    return edges.reshape(-1, 2)


def noise_floor(levels_db: Levels) -> float:
    """Find the level of the noise that the programme stands over.

    It is the lowest level that holds still (within 2.5 dB for half a second, more than once) and is
    not over `HIGHEST_FLOOR_DB`; where nothing does, it lies 6 dB under all that is heard.
    Digital silence counts where it lies between sounds and lasts longer than any such noise. A
    stretch at either end that is quieter than all pauses is the tape at rest: what the tape
    itself brings is the floor.

    Parameters
    ----------
    levels_db
        Levels of steps of 10 ms.
    """
    course = tenths(levels_db)
    lit = np.flatnonzero(course > LOWEST_DB + 2)
    if not len(lit):
        return LEAST_FLOOR_DB
    inside = course[lit[0] : lit[-1] + 1]
    heard = inside[inside > LOWEST_DB + 2]
    floor = _lowest_steady(heard)
    silent = int(sum(b - a for a, b in runs(inside <= LOWEST_DB + 2) if b - a >= 3))
    if silent > np.count_nonzero(heard < floor + _NARROW_DB):
        return LEAST_FLOOR_DB
    return max(_with_tape_running(inside, floor), LEAST_FLOOR_DB)


def _lowest_steady(course: Levels) -> float:
    if len(course) >= _STEADY_TENTHS:
        windows = sliding_window_view(course, _STEADY_TENTHS)
        steady = windows.max(axis=1) - windows.min(axis=1) < _STEADY_DB
        levels = np.sort(windows[steady].mean(axis=1))
        levels = levels[levels < HIGHEST_FLOOR_DB]
        more = np.searchsorted(levels, levels + _NARROW_DB) - np.arange(len(levels))
        if len(often := np.flatnonzero(more >= 3)):
            lowest = levels[often[0]]
            return float(np.median(levels[(levels >= lowest) & (levels <= lowest + _NARROW_DB)]))
    return min(float(course.min()) - 6, HIGHEST_FLOOR_DB)


def _with_tape_running(course: Levels, floor: float) -> float:
    """Look for a higher floor where the lowest is heard at the ends of the side alone."""
    quiet = course < floor + 4
    loud = np.flatnonzero(course > floor + 10)
    if not len(loud) or any(b - a >= 3 for a, b in runs(quiet[loud[0] : loud[-1]])):
        return floor
    running = np.flatnonzero(~quiet)
    rest = course[running[0] : running[-1] + 1]
    higher = _lowest_steady(rest)
    ends = [rest[2:12], rest[-12:-2]]
    touches = any(len(end) == 10 and np.abs(end - higher).max() < _NARROW_DB for end in ends)
    return higher if touches and higher < np.median(rest) - 12 else floor


def floor_of_wide(wide_db: Levels, levels_db: Levels, floor_db: float) -> float:
    """Find the floor of the wide measure: a low level of it where the weighted one is at its floor.

    Bass that plays there alone is louder, so it is not the mean that is taken.
    """
    course, wide = (np.maximum(tenths(levels), LEAST_FLOOR_DB) for levels in (levels_db, wide_db))
    still = wide[np.abs(course - floor_db) < 1.5]
    if not len(still):
        return min(float(wide.min(initial=0.0)) - 6, floor_db)
    return float(np.percentile(still, 20))


def scatter_db(levels_db: Levels, floor_db: float) -> float:
    """Tell by how much the noise itself goes up and down, as a standard deviation."""
    still = levels_db[np.abs(levels_db - floor_db) < OVER_FLOOR_DB]
    return float(np.std(still)) if len(still) else 0.0


def sounding(
    levels_db: Levels, wide_db: Levels, floor_db: float, wide_floor_db: float
) -> NDArray[np.bool_]:
    """Tell for each step whether sound stands over the floor there."""
    found = np.zeros(len(levels_db), np.bool_)
    for levels, floor, over in (
        (levels_db, floor_db, OVER_FLOOR_DB),
        (wide_db, wide_floor_db, WIDE_OVER_FLOOR_DB),
    ):
        course = smoothed(levels, 5)
        found |= course > floor + max(over, _SCATTERS * scatter_db(course, floor))
    return found


def over_print(bands_db: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return for each step whether any band stands over the noise print; shape (bands, steps)."""
    found = np.zeros(bands_db.shape[1], np.bool_)
    for levels in bands_db:
        course = smoothed(levels, _PRINT_STEPS)
        scatter = scatter_db(course, 0.0)
        found |= course > max(_OVER_PRINT_DB, _PRINT_SCATTERS * scatter)
    return found
