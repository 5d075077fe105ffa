"""Find the noise floor of a side, and where sound is above it. Tuned empirically on transfers."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Levels = NDArray[np.float32]

LOWEST_DB = -120.0
"""Lowest level that is measured: digital silence."""
LEAST_FLOOR_DB = -100.0
"""Lowest floor: anything below is inaudible."""
HIGHEST_FLOOR_DB = -40.0
"""Highest floor: no tape is noisier, so a steady level above this is music."""
OVER_FLOOR_DB = 3.0
WIDE_OVER_FLOOR_DB = 6.0
"""Bass alone must be this far above the floor, because rumble and hum vary."""
_PRINT_STEPS = 10
_OVER_PRINT_DB, _PRINT_SCATTERS = 1.5, 5.0
_TENTH = 10
_STEADY_TENTHS = 5
_STEADY_DB = 2.5
_NARROW_DB = 3.0
_SCATTERS = 4.0


def smoothed(levels_db: Levels, steps: int) -> Levels:
    """Return the mean level of so many steps around each."""
    energies = 10 ** (levels_db.astype(np.float64) / 10)
    if len(energies) < steps:
        return levels_db
    padded = np.pad(energies, steps // 2, mode="edge")
    means = np.convolve(padded, np.full(steps, 1 / steps), "valid")[: len(energies)]
    return np.asarray(10 * np.log10(means), np.float32)


def tenths(levels_db: Levels) -> Levels:
    """Return the mean level of each tenth of a second; a shorter rest is left out."""
    whole = len(levels_db) // _TENTH
    energies = 10 ** (levels_db[: whole * _TENTH].astype(np.float64) / 10)
    return np.asarray(10 * np.log10(energies.reshape(whole, _TENTH).mean(axis=1)), np.float32)


def runs(where: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the start and the end of each run of True, shape (runs, 2)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], where, [False])).astype(np.int8)))
    return edges.reshape(-1, 2)


def noise_floor(levels_db: Levels) -> float:
    """Return the noise floor of a side.

    It is the lowest steady level (within 2.5 dB for half a second, more than once) that is not
    above `HIGHEST_FLOOR_DB`; without one, it is 6 dB below the quietest sound. Digital silence is
    the floor if it is between sounds and lasts longer than any such noise. A passage at either end
    that is quieter than all pauses is the stopped tape: the floor is that of the running tape.
    The levels are of steps of 10 ms.
    """
    tenths_db = tenths(levels_db)
    not_silent = np.flatnonzero(tenths_db > LOWEST_DB + 2)
    if not len(not_silent):
        return LEAST_FLOOR_DB
    inside = tenths_db[not_silent[0] : not_silent[-1] + 1]
    sound_db = inside[inside > LOWEST_DB + 2]
    floor = _lowest_steady(sound_db)
    silent = int(sum(b - a for a, b in runs(inside <= LOWEST_DB + 2) if b - a >= 3))
    if silent > np.count_nonzero(sound_db < floor + _NARROW_DB):
        return LEAST_FLOOR_DB
    return max(_running_tape_floor(inside, floor), LEAST_FLOOR_DB)


def _lowest_steady(tenths_db: Levels) -> float:
    if len(tenths_db) >= _STEADY_TENTHS:
        windows = sliding_window_view(tenths_db, _STEADY_TENTHS)
        steady = windows.max(axis=1) - windows.min(axis=1) < _STEADY_DB
        levels = np.sort(windows[steady].mean(axis=1))
        levels = levels[levels < HIGHEST_FLOOR_DB]
        more = np.searchsorted(levels, levels + _NARROW_DB) - np.arange(len(levels))
        if len(often := np.flatnonzero(more >= 3)):
            lowest = levels[often[0]]
            return float(np.median(levels[(levels >= lowest) & (levels <= lowest + _NARROW_DB)]))
    return min(float(tenths_db.min()) - 6, HIGHEST_FLOOR_DB)


def _running_tape_floor(tenths_db: Levels, floor: float) -> float:
    """Return a higher floor if the lowest occurs only at the ends of the side, else the lowest."""
    quiet = tenths_db < floor + 4
    loud = np.flatnonzero(tenths_db > floor + 10)
    if not len(loud) or any(b - a >= 3 for a, b in runs(quiet[loud[0] : loud[-1]])):
        return floor
    running = np.flatnonzero(~quiet)
    rest = tenths_db[running[0] : running[-1] + 1]
    higher = _lowest_steady(rest)
    ends = [rest[2:12], rest[-12:-2]]
    touches = any(len(end) == 10 and np.abs(end - higher).max() < _NARROW_DB for end in ends)
    return higher if touches and higher < np.median(rest) - 12 else floor


def floor_of_wide(wide_db: Levels, levels_db: Levels, floor_db: float) -> float:
    """Return the floor of the wide levels: a low quantile of those at the weighted floor.

    Bass that plays alone there is louder, so the mean would be too high.
    """
    weighted, wide = (np.maximum(tenths(levels), LEAST_FLOOR_DB) for levels in (levels_db, wide_db))
    at_floor = wide[np.abs(weighted - floor_db) < 1.5]
    if not len(at_floor):
        return min(float(wide.min(initial=0.0)) - 6, floor_db)
    return float(np.percentile(at_floor, 20))


def scatter_db(levels_db: Levels, floor_db: float) -> float:
    """Return the standard deviation of the level of the noise itself."""
    noise_db = levels_db[np.abs(levels_db - floor_db) < OVER_FLOOR_DB]
    return float(np.std(noise_db)) if len(noise_db) else 0.0


def sounding(
    levels_db: Levels, wide_db: Levels, floor_db: float, wide_floor_db: float
) -> NDArray[np.bool_]:
    """Return for each step whether sound is above the floor."""
    found = np.zeros(len(levels_db), np.bool_)
    for levels, floor, over in (
        (levels_db, floor_db, OVER_FLOOR_DB),
        (wide_db, wide_floor_db, WIDE_OVER_FLOOR_DB),
    ):
        smooth_db = smoothed(levels, 5)
        found |= smooth_db > floor + max(over, _SCATTERS * scatter_db(smooth_db, floor))
    return found


def over_print(bands_db: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return for each step whether any band is above the noise print; bands_db: (bands, steps)."""
    found = np.zeros(bands_db.shape[1], np.bool_)
    for levels in bands_db:
        smooth_db = smoothed(levels, _PRINT_STEPS)
        scatter = scatter_db(smooth_db, 0.0)
        found |= smooth_db > max(_OVER_PRINT_DB, _PRINT_SCATTERS * scatter)
    return found
