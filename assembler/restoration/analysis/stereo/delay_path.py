"""Follow the interchannel delay of a tape whose azimuth wanders.

Each window of 0.17 s, eight per second, has the cross-correlation of its channels between 1.5 and
9 kHz: whitened, so that what counts is the phase (Knapp and Carter, "The generalized correlation
method for estimation of time delay", IEEE Transactions on Acoustics, Speech and Signal Processing
24(4), 1976, from memory), and weighted by coherence. The delay over the side is the path through
these correlations with the greatest sum, less a penalty for each change (Viterbi, "Error bounds for
convolutional codes", IEEE Transactions on Information Theory 13(2), 1967, from memory); a jump, as
at a splice, has a fixed penalty.

A path is determined only if nearly all common sound has its delay, if two halves of the spectrum
give the same path, and if it does not jump to and fro, as sources in different places do. One
source that moves slowly before spaced microphones can't be distinguished from a tape that wanders.
Penalties and bounds: tuned empirically on undamaged music with known delays, as it is and without
its treble, and on mixtures of it with spaced microphones, echoes, choruses and all-pass filters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.stereo.cells import SOURCES_HZ, Cells, CellSpectra
from assembler.restoration.analysis.stereo.cross_spectrum import CrossSpectrum, SourceCells
from assembler.restoration.analysis.stereo.interchannel_delay import (
    BAND_RAD,
    BANDS_DISAGREE,
    FEWEST_BANDS,
    SOURCES_DISAGREE,
    TOO_LITTLE,
    band_phases,
    source_shares,
)

PATH_STEP_S = 0.25
"""From one delay of a path to the next."""
AUDIBLE_US = 15.0
"""A path that stays below this is left unchanged: at 15 µs, mono loses 1 dB at 10 kHz."""
_HOP_S = 0.125
_AT_ONCE = 1024
"""Windows whose correlations are computed at once, so that an hour needs little memory."""
_BAND_HZ = (1500.0, 9000.0)
_GRID_US = np.arange(-150.0, 151.0, 2.0)
_COHERENT = 0.5
_CERTAIN, _WEIGHT = 1.5, 0.5
"""A cell of coherence c counts as _WEIGHT c / (_CERTAIN − c)."""
_CHANGE_US = 4.0
"""Standard deviation of the change from one window to the next."""
_FARTHEST = 24
"""Largest change in steps of the grid that is not a jump."""
_JUMP = 100.0
_JUMP_US = 10.0
"""A change beyond this is not smoothed."""
_NEAR_US = 4.0
"""Farthest from the path on the grid to the smooth one."""
_KEPT_EVERY = 4
"""Windows per window with which the path is checked."""
_LEAST_AGREEMENT = 0.75
_HALVES_US, _HALVES_PERCENT = 5.0, 95
"""Two halves of the spectrum differ by less, for that much of the time."""
_FAST_US, _FAST_S = 30.0, 0.5
"""A change of so much within that time is a jump; a weave of ±25 µs, 0.3 times per second, changes
by 23."""
_JUMPS_PER_MINUTE = 1.0
_DEVIATIONS = 2.0
"""Standard errors by which the phase of a band may exceed `BAND_RAD`."""
_SOURCE_SHARE, _RIVAL_SHARE = 0.4, 0.22
_SPAN_PERCENT = 95

Array = NDArray[np.float64]
Phasors = NDArray[np.complex64]


@dataclass(frozen=True)
class DelayPathReading:
    """Delay of the right channel re left over a side."""

    delays_us: tuple[float, ...]
    """In microseconds, one per `PATH_STEP_S` from the start; none if not determined."""
    reason: str = ""
    """Why it is not determined; empty if it is."""
    agreement: float = 0.0
    """Share of the common sound that has the delay of the path, from 0 to 1."""

    @property
    def span_us(self) -> tuple[float, float]:
        """The least and the greatest delay, the outermost 5 % left out; 0 if not determined."""
        rest = (100 - _SPAN_PERCENT) / 2
        low_us, high_us = np.percentile(self.delays_us or (0.0,), (rest, 100 - rest))
        return round(float(low_us), 1), round(float(high_us), 1)

    @property
    def largest_us(self) -> float:
        """The delay of `span_us` that is farther from 0."""
        return max(self.span_us, key=abs)

    @property
    def wanders(self) -> bool:
        """Whether it varies so much that one delay for the side leaves an audible error."""
        low_us, high_us = self.span_us
        return high_us - low_us >= AUDIBLE_US


NOT_FOLLOWED = DelayPathReading((), "it was not measured over time")


class DelayPathMeter:
    """Meter of the interchannel delay of a stereo stream over time."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._frames = 0
        self._spectra = CellSpectra(rate_hz, _HOP_S)
        hz = self._spectra.hz
        self._band = (hz > _BAND_HZ[0]) & (hz < _BAND_HZ[1])
        self._in_sources = (hz > SOURCES_HZ[0]) & (hz < SOURCES_HZ[1])
        self._omega: Array = 2e-6 * np.pi * hz
        self._windows = 0
        self._phasors: list[Phasors] = []
        self._kept: list[tuple[Phasors, SourceCells]] = []

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        self._frames += len(block)
        for cells in self._spectra.feed(block):
            self._add(cells)

    def _add(self, cells: Cells) -> None:
        coherence = np.where(cells.coherence > _COHERENT, cells.coherence, 0.0)
        weight = _WEIGHT * coherence / (_CERTAIN - coherence)
        turned = weight * cells.cross / np.where(weight > 0, cells.size, 1.0)
        phasors = turned.astype(np.complex64)
        for window in range(-self._windows % _KEPT_EVERY, len(phasors), _KEPT_EVERY):
            kept = phasors[window].copy(), cells.single_sources(window, self._in_sources)
            self._kept.append(kept)
        self._phasors.append(phasors[:, self._band])
        self._windows += len(phasors)

    def reading(self) -> DelayPathReading:
        """Return the path over all samples so far, or the reason why there is none."""
        for cells in self._spectra.rest():
            self._add(cells)
        none = np.zeros((0, int(self._band.sum())), np.complex64)
        phasors = np.concatenate([none, *self._phasors])
        self._phasors = [phasors]
        weight = float(np.abs(phasors).sum())
        if not weight:
            return DelayPathReading((), TOO_LITTLE)
        omega = self._omega[self._band]
        sign = _sign(phasors, omega)
        phasors = phasors if sign > 0 else -phasors
        path_us = _path(phasors, omega)
        agreement = float(_correlation(phasors, omega, path_us)[0].sum()) / weight
        halves = [_path(phasors[:, half::2], omega[half::2]) for half in (0, 1)]
        if agreement < _LEAST_AGREEMENT:
            return DelayPathReading((), TOO_LITTLE)
        if np.percentile(np.abs(halves[0] - halves[1]), _HALVES_PERCENT) > _HALVES_US:
            return DelayPathReading((), "readings at alternate frequencies disagree")
        if jumps := self._jumps(path_us):
            return DelayPathReading((), f"it jumps {jumps} times, as sources do that are apart")
        if reason := self._disagreement(path_us, sign):
            return DelayPathReading((), reason)
        return DelayPathReading(self._in_steps(path_us), agreement=round(agreement, 3))

    def _in_steps(self, path_us: Array) -> tuple[float, ...]:
        """Return the path at every `PATH_STEP_S`, to the end of the side."""
        spectra = self._spectra
        middles_s = np.arange(len(path_us)) * spectra.step_s + spectra.window_s / 2
        times_s = np.arange(0, self._frames / self._rate_hz + PATH_STEP_S, PATH_STEP_S)
        delays_us = np.interp(times_s, middles_s, path_us)
        return tuple(round(float(us), 1) for us in delays_us)

    def _jumps(self, path_us: Array) -> int:
        """Return how often the path jumps; 0 if not more often than a tape with splices."""
        apart = round(_FAST_S / _HOP_S)
        fast = np.abs(path_us[apart:] - path_us[:-apart]) > _FAST_US
        jumps = int(fast[:1].sum() + (fast[1:] & ~fast[:-1]).sum())
        minutes = len(path_us) * _HOP_S / 60
        return jumps if jumps > 1 + _JUMPS_PER_MINUTE * minutes else 0

    def _disagreement(self, path_us: Array, sign: int) -> str:
        """Return why the path is not that of all common sound; empty if it is."""
        hz, side = self._spectra.hz, CrossSpectrum.empty(len(self._omega))
        for (phasors, cells), delay_us in zip(self._kept, path_us[::_KEPT_EVERY], strict=True):
            turns = self._omega * delay_us
            weights = np.abs(phasors).astype(np.float64)
            side.phasors += phasors * np.exp(-1j * turns)
            side.weights += weights
            side.squared_weights += weights**2
            side.sources.append(cells._replace(phases_rad=cells.phases_rad - turns[cells.bands]))
        phases = band_phases(hz, side, 0.0, sign)
        margins = [abs(phase) - _DEVIATIONS * error for phase, error in phases]
        if len(phases) < FEWEST_BANDS or max(margins) > BAND_RAD:
            return BANDS_DISAGREE
        shares = source_shares(hz, side, 0.0, sign)
        if shares and (shares[0] < _SOURCE_SHARE or shares[1] > _RIVAL_SHARE):
            return SOURCES_DISAGREE
        return ""


def _scores(phasors: Phasors, omega: Array) -> NDArray[np.float32]:
    """Return the correlation in each window at each delay of the grid."""
    turns = np.exp(-1j * omega[:, None] * _GRID_US).astype(np.complex64)
    scores = np.empty((len(phasors), len(_GRID_US)), np.float32)
    for begin in range(0, len(phasors), _AT_ONCE):
        rows = slice(begin, begin + _AT_ONCE)
        scores[rows] = (phasors[rows] @ turns).real
    return scores


def _correlation(phasors: Phasors, omega: Array, path_us: Array) -> tuple[Array, Array, Array]:
    """Return the correlation in each window at its delay, its slope and its downward curvature."""
    values, slopes, curvatures = (np.empty(len(phasors)) for _ in range(3))
    for begin in range(0, len(phasors), _AT_ONCE):
        rows = slice(begin, begin + _AT_ONCE)
        turned = phasors[rows] * np.exp(-1j * path_us[rows, None] * omega)
        values[rows] = turned.real.sum(axis=1)
        slopes[rows] = turned.imag @ omega
        curvatures[rows] = turned.real @ omega**2
    return values, slopes, curvatures


def _sign(phasors: Phasors, omega: Array) -> int:
    """Return the sign of the polarity of right re left."""
    scores = _scores(phasors, omega)
    return 1 if scores.max(axis=1).sum() >= -scores.min(axis=1).sum() else -1


def _path(phasors: Phasors, omega: Array) -> Array:
    """Return the most likely path, one delay per window."""
    changes = (np.arange(_FARTHEST + 1) * (_GRID_US[1] - _GRID_US[0]) / _CHANGE_US) ** 2 / 2
    coarse_us = _GRID_US[_best_path(_scores(phasors, omega), changes, _JUMP)]
    return _smoothed(phasors, omega, coarse_us)


@compiled
def _best_path(scores: NDArray[Any], penalties: NDArray[Any], jump: float) -> NDArray[np.int64]:
    """Return the place in each row with the greatest sum of scores less penalties."""
    rows, places = scores.shape
    best, following = np.zeros(places), np.empty(places)
    for place in range(places):
        best[place] = scores[0, place]
    back = np.zeros((rows, places), np.int16)
    for row in range(1, rows):
        top = 0
        for place in range(places):
            if best[place] > best[top]:
                top = place
        for place in range(places):
            most, origin = best[top] - jump, top
            first = max(0, place - penalties.shape[0] + 1)
            for other in range(first, min(places, place + penalties.shape[0])):
                sum_here = best[other] - penalties[abs(place - other)]
                if sum_here > most:
                    most, origin = sum_here, other
            following[place] = most + scores[row, place]
            back[row, place] = origin
        for place in range(places):
            best[place] = following[place]
    path = np.zeros(rows, np.int64)
    for place in range(places):
        if best[place] > best[path[rows - 1]]:
            path[rows - 1] = place
    for row in range(rows - 1, 0, -1):
        path[row - 1] = back[row, path[row]]
    return path


def _smoothed(phasors: Phasors, omega: Array, coarse_us: Array) -> Array:
    """Return the most likely path near a coarse one, between the steps of its grid (Newton).

    Every change costs its square; those at jumps are free.
    """
    from scipy.linalg import solveh_banded

    path_us = coarse_us
    links = np.where(np.abs(np.diff(coarse_us)) > _JUMP_US, 0.0, _CHANGE_US**-2)
    for _ in range(3):
        _, slopes, curvatures = _correlation(phasors, omega, path_us)
        curvature = np.maximum(curvatures, 0) + 1e-9
        bands = np.zeros((2, len(path_us)))
        bands[0, 1:] = -links
        bands[1] = curvature
        bands[1, :-1] += links
        bands[1, 1:] += links
        path_us = solveh_banded(bands, curvature * path_us + slopes)
        path_us = np.clip(path_us, coarse_us - _NEAR_US, coarse_us + _NEAR_US)
    return path_us
