"""Follow hum through the spectra of a side: its pitch, and where it is on.

The pitch is a path through the sums of its harmonics (Viterbi, IEEE Trans. Inf. Theory 13, 1967)
that moves slowly; along it, each frame shows harmonics, shows that they are missing, or is too loud
to show either. Between frames that show it, the pitch is smoothed (Whittaker, Proc. Edinburgh Math.
Soc. 41, 1923; from memory). Tuned empirically on hum added to Debian's music.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.restoration.analysis.hum_lines import (
    MAX_ERROR,
    STANDS_OUT_DB,
    Array,
    LowSpectra,
    ratio,
    sine_peak,
)

_STEP = 3e-4
"""From one pitch to the next, as a share; more than the pitch moves in a frame."""
_HARMONICS = 10
_MOST_MOVES = 2
_MOVE_COST = 1.0
"""Against the decimal logarithm of how far a line stands out."""
_MOST_OUT = 3.0
_MISSING_DB = 15.0
_SWITCH_COST = 3.0
"""In frames that show clearly whether the hum is on."""
_OFF_PITCH_BINS = 0.15
"""Deviation of a line from the common pitch that halves its weight."""
_SAME_PITCH_BINS = 0.3
_MOST_SIGNAL = 100.0
_LOUDER = 3.0
"""Lines with so many times the power of the hum are music."""
_SMOOTHNESS = 10.0
_ROUNDS = 4
_ALL_SHOWN = 0.6
"""A frame that shows so much, shows hum and its level."""
_CLEAR = 0.4
"""A frame that shows so much, or its negative, says where hum is switched."""
_FARTHEST = 8.0
"""In frames, from where hum seems to be switched."""
_STEP_DB = 6.0
_STEP_REACH = 8
"""In frames, before and after a step in level."""
_LEAST = 6
"""Frames with hum, in a part with hum."""


def likely_pitch(spectra: LowSpectra, near_hz: float, most_off: float = MAX_ERROR) -> Array:
    """Return the pitch at which most harmonics stand out, one per frame.

    most_off: its largest deviation from about 50 or 60 Hz, as a share.
    """
    reach = round(most_off / _STEP)
    hz = near_hz * (1 + _STEP * np.arange(-reach, reach + 1))
    used = slice(int(_HARMONICS * hz.max() / spectra.bin_hz) + 2)
    out = np.maximum(spectra.powers[:, used], 1e-30)
    out /= spectra.floors[:, used]
    np.clip(np.log10(out, out=out), 0, _MOST_OUT, out=out)
    scores = np.zeros((len(out), len(hz)))
    for number in range(1, _HARMONICS + 1):
        at = number * hz / spectra.bin_hz
        bins = at.astype(int)
        share = at - bins
        scores += out[:, bins] * (1 - share) + out[:, bins + 1] * share
    likely: Array = hz[_best_path(scores)].astype(np.float64)
    return likely


def _best_path(scores: Array) -> NDArray[np.int64]:
    """Return the column in each row of the path with the highest sum that moves little."""
    moves = np.arange(-_MOST_MOVES, _MOST_MOVES + 1)
    columns = scores.shape[1]
    came = np.zeros(scores.shape, np.int8)
    total = np.zeros(columns)
    for row, score in enumerate(scores):
        around = np.pad(total, _MOST_MOVES, constant_values=-np.inf)
        options = np.stack([around[k : k + columns] for k in range(len(moves))])
        options -= _MOVE_COST * np.abs(moves)[:, None]
        best = options.argmax(axis=0)
        came[row] = moves[best]
        total = score + options[best, np.arange(columns)]
    path = np.empty(len(scores), np.int64)
    at = int(total.argmax())
    for row in range(len(scores) - 1, -1, -1):
        path[row] = at
        at += int(came[row, at])
    return path


@dataclass(frozen=True, eq=False)
class HumFrames:
    """What each frame shows of hum."""

    hz: Array
    """Smoothed mains frequency."""
    shown: Array
    """From 1, all harmonics stand out, to −1, all are missing."""
    levels_db: Array
    """Level of the hum; nan where some harmonics do not stand out."""

    @property
    def is_clear(self) -> NDArray[np.bool_]:
        """Whether each frame shows the hum."""
        return np.asarray(self.shown >= _ALL_SHOWN)

    @property
    def middle_hz(self) -> float:
        """Mains frequency in the middle of those frames that show it best."""
        return float(np.median(self.hz[self.shown >= min(_ALL_SHOWN, self.shown.max())]))

    def stretches(self) -> list[tuple[int, int]]:
        """Return the first frame and the one after the last of each part in which the hum is on.

        It begins and ends with a frame that shows the hum, or with the side.
        """
        on = _best_states(self.shown)
        edges = np.flatnonzero(np.diff(on, prepend=False, append=False)).reshape(-1, 2)
        found = []
        for first, after in edges:
            clear = first + np.flatnonzero(self.is_clear[first:after])
            if len(clear):
                start = int(clear[0]) if first else 0
                end = int(clear[-1]) + 1 if after < len(on) else len(on)
                found.append((start, end))
        return [(first, after) for first, after in found if after - first >= _LEAST]

    def steps(self, first: int, after: int) -> list[int]:
        """Return the frames in a part of the side before which the hum steps in level."""
        steps = np.array([self._step_db(frame) for frame in range(first, after)])
        found: list[int] = []
        for place in np.argsort(-steps):
            near = [abs(first + place - other) for other in (first, after, *found)]
            if steps[place] >= _STEP_DB and min(near) >= _STEP_REACH:
                found.append(first + int(place))
        return sorted(found)

    def _step_db(self, frame: int) -> float:
        """Return by how much the level differs before and after a frame."""
        before = self.levels_db[max(0, frame - _STEP_REACH) : frame]
        after = self.levels_db[frame : frame + _STEP_REACH]
        if min(np.isfinite(before).sum(), np.isfinite(after).sum()) < _STEP_REACH // 2:
            return 0.0
        return float(abs(np.nanmedian(after) - np.nanmedian(before)))

    def around_start(self, first: int) -> tuple[float, float]:
        """Return positions in frames between which hum that is on in a frame is switched on."""
        clear = np.abs(self.shown) >= _CLEAR
        off = next((k for k in range(first - 1, -1, -1) if clear[k]), 0)
        on = next((k for k in range(first, len(clear)) if clear[k]), first)
        return max(off + 1.0, first - _FARTHEST), min(on + 1.75, first + _FARTHEST)

    def around_end(self, after: int) -> tuple[float, float]:
        """Return positions in frames between which hum that is off in a frame is switched off."""
        clear = np.abs(self.shown) >= _CLEAR
        on = next((k for k in range(after - 1, -1, -1) if clear[k]), after - 1)
        off = next((k for k in range(after, len(clear)) if clear[k]), len(clear) - 1)
        return max(on + 0.25, after - _FARTHEST), min(off + 1.0, after + _FARTHEST)


def follow_hum(
    spectra: LowSpectra, near_hz: Array, numbers: Sequence[int], levels: Array
) -> HumFrames:
    """Measure hum of about a known pitch, one value per frame.

    Parameters
    ----------
    spectra
        Of the side.
    near_hz
        The pitch in each frame, to about half a bin at its highest harmonic.
    numbers, levels
        Its harmonics, and the power of each in the spectra.
    """
    at = near_hz[:, None] * np.array(numbers) / spectra.bin_hz
    rows = np.arange(len(at))[:, None]
    nearest = np.rint(at).astype(int)
    around = spectra.powers[rows[:, :, None], nearest[:, :, None] + np.arange(-1, 2)]
    bins = nearest + around.argmax(axis=2) - 1
    peaks = np.stack([spectra.powers[rows, bins + k] for k in (-1, 0, 1)]).astype(np.float64)
    floors = spectra.floors[rows, bins].astype(np.float64)
    seen = (peaks[1] >= peaks[0]) & (peaks[1] >= peaks[2])
    seen &= peaks[1] > floors * ratio(STANDS_OUT_DB)
    offsets, powers = sine_peak(np.maximum(peaks - floors, 1e-30))
    missing = ~seen & (peaks[1] < levels * ratio(-_MISSING_DB))
    signal = np.where(seen, np.minimum(peaks[1] / floors, _MOST_SIGNAL), 0.0)
    signal /= 1 + (powers / (_LOUDER * levels)) ** 2
    lines = bins + offsets
    hz = _smooth_pitch(lines, signal, near_hz, np.array(numbers), spectra.bin_hz)
    seen &= np.abs(lines - hz[:, None] * numbers / spectra.bin_hz) < _SAME_PITCH_BINS
    shown = seen.mean(axis=1) - missing.mean(axis=1)
    levels_db = np.full(len(hz), np.nan)
    some = shown >= _ALL_SHOWN
    levels_db[some] = 10 * np.log10(np.nanmedian(np.where(seen, powers / levels, np.nan)[some], 1))
    return HumFrames(hz, shown, levels_db)


def _smooth_pitch(
    lines: Array, signal: Array, near_hz: Array, numbers: NDArray[np.int64], bin_hz: float
) -> Array:
    """Return the pitch that fits the lines of all harmonics best and moves smoothly."""
    hz = near_hz
    for _ in range(_ROUNDS):
        off = (lines - hz[:, None] * numbers / bin_hz) / _OFF_PITCH_BINS
        weights = numbers**2 * signal / (1 + off**2) ** 2
        total = weights.sum(axis=1)
        measured = (weights * lines / numbers).sum(axis=1) * bin_hz / np.maximum(total, 1e-30)
        hz = _smoothed(measured, np.minimum(total / max(np.percentile(total, 90), 1e-30), 1.0))
    return hz


def _smoothed(values: Array, weights: Array) -> Array:
    """Return a smooth course through values: its second differences are small."""
    import scipy.linalg

    rows = len(values)
    bands = np.zeros((3, rows))
    second = np.array([1.0, -2.0, 1.0])
    for lag in range(3):
        for k in range(3 - lag):
            product = _SMOOTHNESS * second[k] * second[k + lag]
            bands[2 - lag, k + lag : rows - 2 + k + lag] += product
    bands[2] += weights + 1e-9
    middle = (weights * values).sum() / max(weights.sum(), 1e-30)
    smooth: Array = middle + scipy.linalg.solveh_banded(bands, weights * (values - middle))
    return smooth


def _best_states(shown: Array) -> NDArray[np.bool_]:
    """Return the two states, on and off, that fit best and change seldom."""
    total = np.zeros(2)
    came = np.zeros((len(shown), 2), np.int8)
    for row, value in enumerate(shown):
        stays, other = total, total[::-1] - _SWITCH_COST
        came[row] = np.where(stays >= other, (0, 1), (1, 0))
        total = np.maximum(stays, other) + np.array([-value, value])
    on = np.zeros(len(shown), bool)
    state = int(total.argmax())
    for row in range(len(shown) - 1, -1, -1):
        on[row] = bool(state)
        state = int(came[row, state])
    return on
