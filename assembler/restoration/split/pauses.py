"""Find the places on a side where a song may start or end: silences and dips in level."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from assembler.restoration.analysis.noise_floor import (
    Levels,
    over_print,
    runs,
    scatter_db,
    smoothed,
    sounding,
    tenths,
)
from assembler.restoration.analysis.programme import STEP_S, ProgrammeReading

LEAST_PAUSE_S = 0.2
LONGEST_CLICK_S = 0.06
"""A burst no longer than this, with silence around it, is a click in a pause."""
LEAD_S = 0.04
"""A song starts this long before its first detected sound."""
HOLD_S = 0.3
"""Faint sounds at the edge of a song belong to it if at most this much silence separates them."""
SPREAD_S = 0.14
"""A spectrum shows a sound this long before it starts."""
_LEAD_OVER_PRINT_S = 0.03
"""Part of it that is used, so that a faint start is not cut off."""
SPREAD_OF_LEVEL_S = 0.06
"""The level without the lines of a hum rises this much earlier."""
TAIL_S = 0.15
"""A song ends this long after it has reached the floor."""
_STEPS = round(1 / STEP_S)
_TENTH = 10
_DIP_DB = 2.0
_DEEP_DB = 3.0
_DIP_REACH = 25
_PEAK_REACH = 100
_STEADY_DB = 0.6
_AROUND_S = 8.0
_Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Pause:
    """A place where a song may end and the next one start."""

    start_s: float
    end_s: float
    """Where sound ends and starts again; the same if it never ends."""
    quiet_s: float
    """Length of the silence; of a dip, how long it is below half its depth."""
    over_floor_db: float
    """Lowest level above the noise floor."""
    level_step_db: float = 0.0
    """Level difference between the sound after it and before it."""

    @property
    def is_silence(self) -> bool:
        """Whether sound ends there."""
        return self.end_s > self.start_s


def find_pauses(reading: ProgrammeReading, sound: _Mask, most: int) -> list[Pause]:
    """List the start of the side, the likeliest places within it, and its end.

    Parameters
    ----------
    reading, sound
        The side's levels, and for each step whether sound is above the floor: at least somewhere.
    most
        Number of places that are kept, the likeliest ones.
    """
    silent = runs(~sound)
    first, last = (float(edge) * STEP_S for edge in runs(sound).flat[[0, -1]])
    long = silent[silent[:, 1] - silent[:, 0] >= LEAST_PAUSE_S / STEP_S] * STEP_S
    found = [Pause(a, b, b - a, 0.0) for a, b in long.tolist() if a >= first and b <= last]
    tenths_db = smoothed(tenths(reading.levels_db), 5)
    found += _dips(reading, tenths_db, sound, most)
    found.sort(key=lambda pause: (pause.start_s, pause.end_s))
    found = [_with_step(pause, tenths_db, reading.floor_db) for pause in found]
    if len(found) > most:
        likeliest = sorted(found, key=log_odds, reverse=True)[:most]
        found = sorted(likeliest, key=lambda pause: pause.start_s)
    end_s = len(sound) * STEP_S
    return [Pause(0.0, first, first, 0.0), *found, Pause(last, end_s, end_s - last, 0.0)]


def log_odds(pause: Pause) -> float:
    """Return the log odds of a cut at a pause, at most 4.5.

    Three times the logarithm of its length over 1.2 s, plus up to 1 for a change of level of 12 dB
    across it, minus 1 for each 4 dB of the lowest level above the floor; the length of a dip counts
    only up to 1.2 s. Tuned empirically on transfers.
    """
    longest = np.inf if pause.is_silence else 1.2
    length = 3 * np.log(np.clip(pause.quiet_s, 0.05, longest) / 1.2)
    step = min(abs(pause.level_step_db), 12.0) / 12
    return float(min(length - pause.over_floor_db / 4 + step, 4.5))


def without_clicks(sound: _Mask) -> _Mask:
    """Return the mask without bursts as short as a click that have silence around them."""
    kept = sound.copy()
    spans = runs(sound)
    if not len(spans):
        return kept
    before = np.diff(spans[:, 0], prepend=-len(sound))
    gaps = np.concatenate(([len(sound)], spans[1:, 0] - spans[:-1, 1], [len(sound)]))
    isolated = np.minimum(gaps[:-1], gaps[1:]) >= LEAST_PAUSE_S / STEP_S
    short = spans[:, 1] - spans[:, 0] <= LONGEST_CLICK_S / STEP_S
    for a, b in spans[isolated & short & (before > 0)]:
        kept[a:b] = False
    return kept


def _dips(reading: ProgrammeReading, tenths_db: Levels, sound: _Mask, most: int) -> list[Pause]:
    """Find where sound goes down and comes back without reaching the floor."""
    if len(tenths_db) < 2 * _DIP_REACH:
        return []
    padded = np.pad(tenths_db, _DIP_REACH, mode="edge")
    lowest = sliding_window_view(padded, 2 * _DIP_REACH + 1).min(axis=1)
    padded = np.pad(tenths_db, _PEAK_REACH, mode="edge")
    peaks = sliding_window_view(padded, _PEAK_REACH + 1).max(axis=1)
    around = np.minimum(peaks[: len(tenths_db)], peaks[_PEAK_REACH:][: len(tenths_db)])
    at = np.flatnonzero((tenths_db == lowest) & (around > tenths_db + _DIP_DB))
    whole = np.asarray(sound[: len(tenths_db) * _TENTH].reshape(-1, _TENTH).all(axis=1))
    at = at[whole[at]]
    found = []
    for i in np.sort(at[np.argsort(tenths_db[at], kind="stable")[:most]]).tolist():
        begin = max(i - _PEAK_REACH, 0)
        under = tenths_db[i] + max(_DEEP_DB, (around[i] - tenths_db[i]) / 2)
        spans = begin + runs(np.less(tenths_db[begin : i + _PEAK_REACH], under))
        a, b = spans[np.searchsorted(spans[:, 0], i, side="right") - 1].tolist()
        found.append(_dip(reading, tenths_db, (a, i, b)))
    return found


def _dip(reading: ProgrammeReading, tenths_db: Levels, span: tuple[int, int, int]) -> Pause:
    a, i, b = span
    quiet_s, over = (b - a) * _TENTH * STEP_S, max(float(tenths_db[i]) - reading.floor_db, 0.0)
    if b - a >= _TENTH and float(np.std(tenths_db[a:b])) < _STEADY_DB:
        return Pause(a * _TENTH * STEP_S, b * _TENTH * STEP_S, quiet_s, over)
    fine = smoothed(reading.levels_db[a * _TENTH : b * _TENTH], 3)
    at_s = a * _TENTH * STEP_S + int(np.argmin(fine)) * STEP_S
    return Pause(at_s, at_s, quiet_s, over)


def _with_step(pause: Pause, tenths_db: Levels, floor_db: float) -> Pause:
    reach, a = round(_AROUND_S * _TENTH), round(pause.start_s * _TENTH)
    b = round(pause.end_s * _TENTH)
    sides = [tenths_db[max(a - reach, 0) : a], tenths_db[b : b + reach]]
    levels = [
        10 * np.log10(np.mean(10 ** (sound_db.astype(np.float64) / 10)))
        for side in sides
        if len(sound_db := side[side > floor_db + 3])
    ]
    step = abs(float(levels[0] - levels[1])) if len(levels) == 2 else 0.0
    return Pause(pause.start_s, pause.end_s, pause.quiet_s, pause.over_floor_db, step)


def talk_likelihood(reading: ProgrammeReading) -> NDArray[np.float64]:
    """Return for each tenth of a second how much it sounds like talk, from 0 to 1.

    Talk has syllables: more than one silence per second, over several seconds. It counts less the
    louder it is relative to the songs. Tuned empirically on transfers.
    """
    tenths_db = tenths(reading.levels_db)
    reach = _TENTH
    padded = np.pad(tenths_db, reach, mode="edge")
    peak = sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    least = np.repeat(np.maximum(reading.floor_db + 3, peak - 15), _TENTH)
    up = runs(smoothed(reading.levels_db, 3)[: len(least)] > least)
    after_silence = [b[0] for a, b in pairwise(up) if b[0] - a[1] >= 4]
    onsets = np.bincount(np.array(after_silence, int) // _TENTH, minlength=len(tenths_db))
    per_second = np.convolve(onsets[: len(tenths_db)], np.ones(41))[20 : 20 + len(tenths_db)] / 4.1
    broken = np.clip(per_second - 1.25, 0, 1)
    over = np.percentile(tenths_db[tenths_db > reading.floor_db + 3], 75) if len(tenths_db) else 0.0
    softer = np.clip((over - smoothed(tenths_db, 21)) / 12, 0, 1)
    talk: NDArray[np.float64] = broken * (0.3 + 0.7 * softer)
    return talk


def song_start_s(reading: ProgrammeReading, pause_start_s: float, pause_end_s: float) -> float:
    """Return where a song starts after a pause: a little before its first sound.

    From certain sound it goes back through all that stands out of the noise of this pause with at
    most `HOLD_S` between, and `LEAD_S` further, but not into the sound before the pause.
    """
    a, certain = round(pause_start_s / STEP_S), round(pause_end_s / STEP_S)
    b = certain
    if reading.without_hum_db is not None:
        b = min(b + round(SPREAD_OF_LEVEL_S / STEP_S), len(reading.levels_db))
    first = b
    for levels, floor, steps, over in (
        (reading.levels_db, reading.floor_db, 3, 1.2),
        (reading.wide_db, reading.wide_floor_db, 5, 3.0),
    ):
        fine = smoothed(levels[a : b + 10], steps)[: b - a]
        noise, scatter = _noise_of(fine, floor)
        scatter = max(scatter, _beating(reading, levels, floor, steps))
        for begin, end in runs(fine > noise + max(over, 4 * scatter))[::-1] + a:
            near = LONGEST_CLICK_S if end - begin <= steps + 1 else HOLD_S
            if end < first - near / STEP_S:
                break
            first = min(first, int(begin))
    first = certain if first == b else first
    under = _first_over_print(reading, a, first)
    if under < first - SPREAD_S / STEP_S:
        first = under + round(_LEAD_OVER_PRINT_S / STEP_S)
    return max(first * STEP_S - LEAD_S, pause_start_s)


def _first_over_print(reading: ProgrammeReading, a: int, first: int) -> int:
    """Return the first step of sound above the noise print, going back from a step."""
    found = over_print(reading.over_print_db[:, a : first + 10])[: first - a]
    for begin, end in runs(found)[::-1] + a:
        if end < first - HOLD_S / STEP_S:
            break
        first = min(first, int(begin))
    return first


def song_end_s(reading: ProgrammeReading, pause_start_s: float, pause_end_s: float) -> float:
    """Return where a song ends in a pause: a little after its decay has reached the noise."""
    a, b = round(pause_start_s / STEP_S), round(pause_end_s / STEP_S)
    last = a
    for levels, floor, over in (
        (reading.levels_db, reading.floor_db, 1.0),
        (reading.wide_db, reading.wide_floor_db, 2.0),
    ):
        fine = smoothed(levels[a:b], 10)
        noise, scatter = _noise_of(fine, floor)
        scatter = max(scatter, _beating(reading, levels, floor, 10))
        last = _held(last, runs(fine > noise + max(over, 3 * scatter)) + a)
    last = _held(last, runs(over_print(reading.over_print_db[:, a:b])) + a)
    return min(last * STEP_S + TAIL_S, pause_end_s)


def _held(last: int, spans: NDArray[np.int64]) -> int:
    """Return the end of the sound that goes on from a step with at most `HOLD_S` between."""
    for begin, end in spans:
        if begin > last + HOLD_S / STEP_S:
            break
        last = max(last, int(end))
    return last


def _beating(reading: ProgrammeReading, levels: Levels, floor_db: float, steps: int) -> float:
    """Return the scatter of the level of a hum, whose harmonics beat."""
    if reading.without_hum_db is None:
        return 0.0
    return scatter_db(smoothed(levels, steps), floor_db)


def _noise_of(fine: Levels, floor_db: float) -> tuple[float, float]:
    """Return level and scatter of the noise in a pause, assumed to be near the side's floor.

    They come from its quieter steps, because the others may be the end of a decay: in a normal
    distribution 30 % are below mean − 0.52 σ, 5 % below mean − 1.64 σ.
    """
    if not len(fine):
        return floor_db, 0.0
    low, lowest = (float(part) for part in np.percentile(fine, [30, 5]))
    scatter = (low - lowest) / 1.12
    return max(low + 0.52 * scatter, floor_db - 1), scatter


def sound_mask(reading: ProgrammeReading) -> _Mask:
    """Return for each step whether sound is above the floor, clicks in pauses left out."""
    found = sounding(reading.levels_db, reading.wide_db, reading.floor_db, reading.wide_floor_db)
    return without_clicks(found)
