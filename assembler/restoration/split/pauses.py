"""Places on a side where a song may begin or end: silences, and dips where there is none."""

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
"""A burst that is no longer, with silence about it, is a click in a pause."""
LEAD_S = 0.04
"""A song is let begin this much before its sound is found."""
HOLD_S = 0.3
"""Faint sounds at the edge of a song belong to it when no more silence than this is between."""
SPREAD_S = 0.14
"""A spectrum hears a sound this much before it begins."""
_LEAD_OVER_PRINT_S = 0.03
"""What is taken back of it, so that a faint beginning is not cut into."""
SPREAD_OF_LEVEL_S = 0.06
"""So much sooner the level between the lines of a hum rises."""
TAIL_S = 0.15
"""A song is let end this much after it has reached the floor."""
_STEPS = round(1 / STEP_S)
_TENTH = 10
_DIP_DB = 2.0
_DEEP_DB = 3.0
_DIP_REACH = 25
_PEAK_REACH = 100
_STEADY_DB = 0.6
_BESIDE_S = 8.0
_Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Pause:
    """A place where a song may end and the next begin.

    Attributes
    ----------
    start_s, end_s
        Where sound ends and comes again; the same where it never ends.
    quiet_s
        How long it is quiet; of a dip, how long it is under half its depth.
    over_floor_db
        By how much its quietest is over the noise floor.
    level_step_db
        By how much the sound after it is louder or softer than before.
    """

    start_s: float
    end_s: float
    quiet_s: float
    over_floor_db: float
    level_step_db: float = 0.0

    @property
    def is_silence(self) -> bool:
        """Sound ends there."""
        return self.end_s > self.start_s


def find_pauses(reading: ProgrammeReading, sound: _Mask, most: int) -> list[Pause]:
    """List the side's beginning, the likeliest places inside, and its end.

    Parameters
    ----------
    reading
        The side's levels, with sound somewhere.
    sound
        For each step, whether sound stands over the floor.
    most
        Of several hundred places the likeliest so many are kept.
    """
    silent = runs(~sound)
    first, last = (float(edge) * STEP_S for edge in runs(sound).flat[[0, -1]])
    long = silent[silent[:, 1] - silent[:, 0] >= LEAST_PAUSE_S / STEP_S] * STEP_S
    found = [Pause(a, b, b - a, 0.0) for a, b in long.tolist() if a >= first and b <= last]
    course = smoothed(tenths(reading.levels_db), 5)
    found += _dips(reading, course, sound, most)
    found.sort(key=lambda pause: (pause.start_s, pause.end_s))
    found = [_with_step(pause, course, reading.floor_db) for pause in found]
    if len(found) > most:
        dear = sorted(found, key=log_odds, reverse=True)[:most]
        found = sorted(dear, key=lambda pause: pause.start_s)
    end_s = len(sound) * STEP_S
    return [Pause(0.0, first, first, 0.0), *found, Pause(last, end_s, end_s - last, 0.0)]


def log_odds(pause: Pause) -> float:
    """Give how much a pause speaks for a cut: the logarithm of the odds, 4.5 at the most.

    Three times the logarithm of its length over 1.2 s, and up to 1 for a change of level of 12 dB
    across it; less 1 for each 4 dB by which the quietest stays over the floor, and there no length
    speaks for it. The figures were set by ear and eye, no source.
    """
    longest = np.inf if pause.is_silence else 1.2
    length = 3 * np.log(np.clip(pause.quiet_s, 0.05, longest) / 1.2)
    step = min(abs(pause.level_step_db), 12.0) / 12
    return float(min(length - pause.over_floor_db / 4 + step, 4.5))


def declick(sound: _Mask) -> _Mask:
    """Take bursts as short as a click out, where silence lies about them."""
    kept = sound.copy()
    spans = runs(sound)
    if not len(spans):
        return kept
    before = np.diff(spans[:, 0], prepend=-len(sound))
    gaps = np.concatenate(([len(sound)], spans[1:, 0] - spans[:-1, 1], [len(sound)]))
    lonely = np.minimum(gaps[:-1], gaps[1:]) >= LEAST_PAUSE_S / STEP_S
    short = spans[:, 1] - spans[:, 0] <= LONGEST_CLICK_S / STEP_S
    for a, b in spans[lonely & short & (before > 0)]:
        kept[a:b] = False
    return kept


def _dips(reading: ProgrammeReading, course: Levels, sound: _Mask, most: int) -> list[Pause]:
    """Find where sound goes down and comes back without reaching the floor."""
    if len(course) < 2 * _DIP_REACH:
        return []
    padded = np.pad(course, _DIP_REACH, mode="edge")
    lowest = sliding_window_view(padded, 2 * _DIP_REACH + 1).min(axis=1)
    padded = np.pad(course, _PEAK_REACH, mode="edge")
    peaks = sliding_window_view(padded, _PEAK_REACH + 1).max(axis=1)
    around = np.minimum(peaks[: len(course)], peaks[_PEAK_REACH:][: len(course)])
    at = np.flatnonzero((course == lowest) & (around > course + _DIP_DB))
    whole = np.asarray(sound[: len(course) * _TENTH].reshape(-1, _TENTH).all(axis=1))
    at = at[whole[at]]
    found = []
    for i in np.sort(at[np.argsort(course[at], kind="stable")[:most]]).tolist():
        begin = max(i - _PEAK_REACH, 0)
        under = course[i] + max(_DEEP_DB, (around[i] - course[i]) / 2)
        spans = begin + runs(np.less(course[begin : i + _PEAK_REACH], under))
        a, b = spans[np.searchsorted(spans[:, 0], i, side="right") - 1].tolist()
        found.append(_dip(reading, course, (a, i, b)))
    return found


def _dip(reading: ProgrammeReading, course: Levels, span: tuple[int, int, int]) -> Pause:
    a, i, b = span
    quiet_s, over = (b - a) * _TENTH * STEP_S, max(float(course[i]) - reading.floor_db, 0.0)
    if b - a >= _TENTH and float(np.std(course[a:b])) < _STEADY_DB:
        return Pause(a * _TENTH * STEP_S, b * _TENTH * STEP_S, quiet_s, over)
    fine = smoothed(reading.levels_db[a * _TENTH : b * _TENTH], 3)
    at_s = a * _TENTH * STEP_S + int(np.argmin(fine)) * STEP_S
    return Pause(at_s, at_s, quiet_s, over)


def _with_step(pause: Pause, course: Levels, floor_db: float) -> Pause:
    reach, a = round(_BESIDE_S * _TENTH), round(pause.start_s * _TENTH)
    b = round(pause.end_s * _TENTH)
    sides = [course[max(a - reach, 0) : a], course[b : b + reach]]
    levels = [
        10 * np.log10(np.mean(10 ** (heard.astype(np.float64) / 10)))
        for side in sides
        if len(heard := side[side > floor_db + 3])
    ]
    step = abs(float(levels[0] - levels[1])) if len(levels) == 2 else 0.0
    return Pause(pause.start_s, pause.end_s, pause.quiet_s, pause.over_floor_db, step)


def talk_course(reading: ProgrammeReading) -> NDArray[np.float64]:
    """Tell for each tenth of a second how much it sounds like talk, from 0 to 1.

    Talk comes in syllables and words: more than one silence a second, over seconds. It counts less
    the louder it is beside the songs. Common practice, no source.
    """
    course = tenths(reading.levels_db)
    reach = _TENTH
    padded = np.pad(course, reach, mode="edge")
    peak = sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    least = np.repeat(np.maximum(reading.floor_db + 3, peak - 15), _TENTH)
    up = runs(smoothed(reading.levels_db, 3)[: len(least)] > least)
    after_silence = [b[0] for a, b in pairwise(up) if b[0] - a[1] >= 4]
    onsets = np.bincount(np.array(after_silence, int) // _TENTH, minlength=len(course))
    per_second = np.convolve(onsets[: len(course)], np.ones(41))[20 : 20 + len(course)] / 4.1
    broken = np.clip(per_second - 1.25, 0, 1)
    over = np.percentile(course[course > reading.floor_db + 3], 75) if len(course) else 0.0
    softer = np.clip((over - smoothed(course, 21)) / 12, 0, 1)
    talk: NDArray[np.float64] = broken * (0.3 + 0.7 * softer)
    return talk


def begins_at(reading: ProgrammeReading, pause_start_s: float, pause_end_s: float) -> float:
    """Give where to let a song begin after a pause: a little before the first sound.

    From where sound is certain it goes back through all that stands out of the noise of this very
    pause with no more than `HOLD_S` between, and `LEAD_S` more, but not into the sound before.
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
    """Go back from a step through sound that stands over the noise print, band by band."""
    found = over_print(reading.over_print_db[:, a : first + 10])[: first - a]
    for begin, end in runs(found)[::-1] + a:
        if end < first - HOLD_S / STEP_S:
            break
        first = min(first, int(begin))
    return first


def ends_at(reading: ProgrammeReading, pause_start_s: float, pause_end_s: float) -> float:
    """Give where to let a song end in a pause: a bit after its decay is down in the noise."""
    a, b = round(pause_start_s / STEP_S), round(pause_end_s / STEP_S)
    last = a
    for levels, floor, over in (
        (reading.levels_db, reading.floor_db, 1.0),
        (reading.wide_db, reading.wide_floor_db, 2.0),
    ):
        fine = smoothed(levels[a:b], 10)
        noise, scatter = _noise_of(fine, floor)
        scatter = max(scatter, _beating(reading, levels, floor, 10))
        for begin, end in runs(fine > noise + max(over, 3 * scatter)) + a:
            if begin > last + HOLD_S / STEP_S:
                break
            last = max(last, int(end))
    for begin, end in runs(over_print(reading.over_print_db[:, a:b])) + a:
        if begin > last + HOLD_S / STEP_S:
            break
        last = max(last, int(end))
    return min(last * STEP_S + TAIL_S, pause_end_s)


def _beating(reading: ProgrammeReading, levels: Levels, floor_db: float, steps: int) -> float:
    """Return how much the level of a hum goes up and down, its harmonics beating step by step."""
    if reading.without_hum_db is None:
        return 0.0
    return scatter_db(smoothed(levels, steps), floor_db)


def _noise_of(fine: Levels, floor_db: float) -> tuple[float, float]:
    """Give level and scatter of the noise in a pause, taken to be near the side's floor.

    They come from its quieter steps, since the others may hold the end of a decay: of a normal
    distribution 30 % lie below mean − 0.52 σ, 5 % below mean − 1.64 σ.
    """
    if not len(fine):
        return floor_db, 0.0
    low, lowest = (float(part) for part in np.percentile(fine, [30, 5]))
    scatter = (low - lowest) / 1.12
    return max(low + 0.52 * scatter, floor_db - 1), scatter


def sound_of(reading: ProgrammeReading) -> _Mask:
    """Tell for each step of a side whether sound stands over the floor, clicks in pauses aside."""
    found = sounding(reading.levels_db, reading.wide_db, reading.floor_db, reading.wide_floor_db)
    return declick(found)
