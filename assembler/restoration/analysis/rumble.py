"""Measure rumble: what sounds below 25 Hz in the pauses of a side, and the high-pass against it.

In the pauses there is no music, so what is left there is the deck, the turntable or the room. The
high-pass is the lowest one that lowers it by `ENOUGH_DB`. Levels: tuned empirically on transfers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assembler.restoration.analysis.low_sound import LowSound
from assembler.restoration.analysis.noise_floor import LEAST_FLOOR_DB, LOWEST_DB, smoothed
from assembler.restoration.analysis.programme import STEP_S, ProgrammeReading

HIGH_PASSES_HZ = (15, 20, 25, 30)
SLOPE_DB = 24
ENOUGH_DB = 12.0
_PAUSE_DB, _STOPPED_DB = 4.0, 6.0
"""A pause is not so far above the noise floor, and the running tape not so far below it."""
_QUIET_DB = 30.0
"""Pauses are so far below the loud passages; what is quiet in dense music is music."""
_SMOOTH_STEPS = 20
_FEWEST = 3


@dataclass(frozen=True)
class RumbleReading:
    """Rumble of a side."""

    level_dbfs: float | None
    """RMS level from 3 to 25 Hz in the pauses, mean of both channels; None if not determined."""
    high_pass_hz: int | None = None
    """The high-pass of 24 dB per octave that removes it."""
    lowered_db: float = 0.0
    """By how much that lowers it."""
    reason: str = ""
    """Why the level is not determined; empty if it is."""


def rumble_of(low: LowSound, programme: ProgrammeReading, loud_db: float) -> RumbleReading:
    """Measure the rumble in the pauses of a side.

    Parameters
    ----------
    low
        Its lowest frequencies.
    programme
        Its level over time, which shows the pauses.
    loud_db
        Level of its loud passages.
    """
    if programme.floor_db > loud_db - _QUIET_DB:
        return RumbleReading(None, reason="the pauses may be quiet music")
    levels_db, floor_db = smoothed(programme.levels_db, _SMOOTH_STEPS), programme.floor_db
    running_db = floor_db - _STOPPED_DB if floor_db > LEAST_FLOOR_DB else LOWEST_DB
    is_pause = (levels_db < floor_db + _PAUSE_DB) & (levels_db >= running_db)
    in_pauses = []
    for number, powers in enumerate(low.powers):
        first, last = (int(edge_s / STEP_S) for edge_s in low.window_s(number))
        if last <= len(is_pause) and is_pause[first:last].all():
            in_pauses.append(powers)
    if len(in_pauses) < _FEWEST:
        return RumbleReading(None, reason="no pauses of 2 s")
    totals = np.sum(in_pauses, axis=1)
    typical = float(np.median(totals))
    if typical <= 10 ** (LOWEST_DB / 10):
        return RumbleReading(LOWEST_DB)
    spectrum = np.mean(
        [one for one, all_ in zip(in_pauses, totals, strict=True) if all_ <= 2 * typical], axis=0
    )
    high_pass_hz, lowered_db = _high_pass(low, spectrum)
    return RumbleReading(10 * float(np.log10(typical)), high_pass_hz, lowered_db)


def _high_pass(low: LowSound, spectrum: np.ndarray) -> tuple[int, float]:
    """Return the lowest high-pass that is enough, else the highest, and what it does, in dB."""
    for hz in HIGH_PASSES_HZ:
        passed = spectrum / (1 + (hz / low.hz) ** 8)  # Butterworth, 24 dB per octave
        lowered_db = 10 * float(np.log10(spectrum.sum() / passed.sum()))
        if lowered_db >= ENOUGH_DB:
            break
    return hz, lowered_db
