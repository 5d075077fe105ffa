"""Follow partials: steady tones in a stereo stream, with their frequency over time.

The frequency of a peak is the reassigned frequency of its bin (Auger and Flandrin, IEEE Trans.
Signal Processing 43(5), 1995, from memory): exact for a steady tone, and the same in the three bins
of a peak. Where it differs between them, something else sounds too: the spread is its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.low_band import Decimator
from assembler.restoration.analysis.spectra import Spectra

WINDOW_S = 0.13
"""A longer one shows less of a quick wow, a shorter one separates fewer tones."""
OVERLAP = 4
LOWEST_HZ, HIGHEST_HZ = 110.0, 5000.0
MOST_PARTIALS = 32
"""The loudest of a moment."""
_RANGE = 1e-5
"""Of the power: softer partials than that below the loudest are left out."""
_LEAST_POWER = 1e-9
"""Of a full-scale sine: silence."""
_MOST_SPREAD_BINS = 1.0
_SAME = 0.012
"""Largest change of frequency from one moment to the next, as a share."""
FEWEST_MOMENTS = 5
"""A partial with fewer shows nothing: it is not kept."""
_CHUNK = 128
"""Batches of moments after which what is not kept is removed."""


@compiled
def _bins(
    spectrum: NDArray[Any], parts: NDArray[Any], power: NDArray[Any], turn: NDArray[Any]
) -> None:
    """Fill the power of each bin through a Hann window, and its distance to the reassigned one.

    spectrum: of left + j·right, without a window; parts: buffer, shape (4, bins + 1).
    """
    size = spectrum.shape[0]
    for k in range(parts.shape[1]):
        p, q = spectrum[k], spectrum[(size - k) % size]
        parts[0, k], parts[1, k] = p.real + q.real, p.imag - q.imag
        parts[2, k], parts[3, k] = p.real - q.real, p.imag + q.imag
    for k in range(1, power.shape[0]):
        power[k] = turn[k] = 0.0
        for c in range(0, 4, 2):
            real, imag = parts[c], parts[c + 1]
            # The window, and × π / 2j its derivative.
            windowed_real = 0.5 * real[k] - 0.25 * (real[k - 1] + real[k + 1])
            windowed_imag = 0.5 * imag[k] - 0.25 * (imag[k - 1] + imag[k + 1])
            slope_real, slope_imag = real[k - 1] - real[k + 1], imag[k - 1] - imag[k + 1]
            power[k] += windowed_real**2 + windowed_imag**2
            turn[k] += 0.25 * (slope_real * windowed_real + slope_imag * windowed_imag)
    for k in range(1, power.shape[0]):
        if power[k] > 0.0:
            turn[k] /= power[k]


@compiled
def _peaks(
    power: NDArray[Any], turn: NDArray[Any], first: int, least: float, found: NDArray[Any]
) -> int:
    """Fill found[n] with bin (fractional), spread in bins and power of each peak."""
    loudest = power[first:].max()
    least = max(least, _RANGE * loudest)
    count = 0
    for k in range(first, power.shape[0] - 2):
        top = power[k]
        if top < least or top <= power[k - 1] or top < power[k + 1]:
            continue
        if top <= power[k - 2] or top <= power[k + 2]:
            continue
        low, at, high = k - 1 + turn[k - 1], k + turn[k], k + 1 + turn[k + 1]
        spread = max(low, at, high) - min(low, at, high)
        if spread > _MOST_SPREAD_BINS or abs(turn[k]) > 1.0:
            continue
        if count < found.shape[0]:
            slot = count
            count += 1
        else:
            slot = int(found[:, 2].argmin())
            if found[slot, 2] >= top:
                continue
        found[slot, 0], found[slot, 1], found[slot, 2] = at, spread, top
    return count


@compiled
def _link(
    before: NDArray[Any], tracks_before: NDArray[Any], now: NDArray[Any], tracks: NDArray[Any]
) -> None:
    """Fill the track of each peak, the one of the nearest peak before; −1 for a new one."""
    taken = np.full(before.shape[0], -1, np.int64)
    for i in range(now.shape[0]):
        tracks[i] = -1
        nearest, best = -1, _SAME
        for j in range(before.shape[0]):
            apart = abs(before[j, 0] / now[i, 0] - 1)
            if apart < best:
                nearest, best = j, apart
        if nearest < 0:
            continue
        rival = taken[nearest]
        if rival >= 0:
            if abs(before[nearest, 0] / now[rival, 0] - 1) <= best:
                continue
            tracks[rival] = -1
        taken[nearest] = i
        tracks[i] = tracks_before[nearest]


@compiled
def _follow(
    spectra: NDArray[Any],
    first: int,
    least: float,
    bins: int,
    before: NDArray[Any],
    tracks_before: NDArray[Any],
    track_count: int,
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any], int]:
    """Return the peaks of some moments: their number in each, then all peaks and their tracks.

    before, tracks_before: of the moment before; last, the number of tracks so far.
    """
    parts, power, turn = np.zeros((4, bins + 1)), np.zeros(bins), np.zeros(bins)
    found = np.zeros((MOST_PARTIALS, 3))
    counts = np.zeros(spectra.shape[0], np.int64)
    peaks = np.zeros((spectra.shape[0] * MOST_PARTIALS, 3))
    tracks = np.zeros(peaks.shape[0], np.int64)
    end = 0
    for moment in range(spectra.shape[0]):
        _bins(spectra[moment], parts, power, turn)
        count = _peaks(power, turn, first, least, found)
        now, tracks_now = peaks[end : end + count], tracks[end : end + count]
        for i in range(count):
            for k in range(3):
                now[i, k] = found[i, k]
        _link(before, tracks_before, now, tracks_now)
        for i in range(count):
            if tracks_now[i] < 0:
                tracks_now[i] = track_count
                track_count += 1
        before, tracks_before = now, tracks_now
        counts[moment] = count
        end += count
    return counts, peaks[:end], tracks[:end], track_count


@dataclass(frozen=True, eq=False)
class Partials:
    """Partials of a stream that last: one row per partial and moment, in order of time."""

    step_s: float
    """From one moment to the next; moment n is the middle of a window, n steps after the first."""
    window_s: float
    moments: NDArray[np.int32]
    tracks: NDArray[np.int32]
    """Number of the partial that a row belongs to."""
    hz: NDArray[np.float32]
    spreads: NDArray[np.float32]
    """Uncertainty of the frequency, as a share."""
    powers: NDArray[np.float32]
    """Relative to a full-scale sine in both channels."""


class PartialMeter:
    """Meter of the partials of a stereo stream."""

    def __init__(self, rate_hz: int) -> None:
        from scipy.fft import next_fast_len

        self._band = Decimator(rate_hz, 1.05 * HIGHEST_HZ)
        low_hz = self._band.rate_hz
        size = OVERLAP * next_fast_len(round(low_hz * WINDOW_S / OVERLAP))
        self._bin_hz = low_hz / size
        self._spectra = Spectra(size, size // OVERLAP)
        self._step_s = size // OVERLAP / low_hz
        self._full_scale = 2 * (size / 2) ** 2  # of both channels, sums not halved
        self._bins = int(min(HIGHEST_HZ, 0.45 * rate_hz) / self._bin_hz)
        self._first = max(3, round(LOWEST_HZ / self._bin_hz))
        self._before = np.zeros((0, 3))
        self._tracks_before = np.zeros(0, np.int64)
        self._moments = self._track_count = 0
        self._rows: list[NDArray[np.float32]] = []
        self._numbers: list[NDArray[np.int32]] = []
        self._lasting: list[tuple[NDArray[np.int32], NDArray[np.float32]]] = []
        self._tracks_kept = 0

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        for spectra in self._spectra.feed(self._band.feed(block)):
            self._add(spectra)

    def _add(self, spectra: NDArray[np.complex64]) -> None:
        least = _LEAST_POWER * self._full_scale
        counts, peaks, tracks, self._track_count = _follow(
            spectra,
            self._first,
            least,
            self._bins,
            self._before,
            self._tracks_before,
            self._track_count,
        )
        last = len(peaks) - counts[-1]
        self._before, self._tracks_before = peaks[last:], tracks[last:]
        numbers = np.empty((len(peaks), 2), np.int32)
        numbers[:, 0] = np.repeat(self._moments + np.arange(len(counts)), counts)
        numbers[:, 1] = tracks
        rows = np.empty((len(peaks), 3), np.float32)
        rows[:, 0] = peaks[:, 0] * self._bin_hz
        rows[:, 1] = peaks[:, 1] / peaks[:, 0]
        rows[:, 2] = peaks[:, 2] / self._full_scale
        self._numbers.append(numbers)
        self._rows.append(rows)
        self._moments += len(counts)
        if len(self._numbers) == _CHUNK:
            self._keep_lasting()

    def _keep_lasting(self) -> None:
        """Remove the partials that have begun and ended since the last time and are too short."""
        numbers, rows = np.concatenate(self._numbers), np.concatenate(self._rows)
        self._numbers, self._rows = [], []
        tracks = numbers[:, 1]
        goes_on = (tracks < self._tracks_kept) | np.isin(tracks, self._tracks_before)
        _, places, lengths = np.unique(tracks, return_inverse=True, return_counts=True)
        kept = goes_on | (lengths[places] >= FEWEST_MOMENTS)
        self._lasting.append((numbers[kept], rows[kept]))
        self._tracks_kept = self._track_count

    def reading(self) -> Partials:
        """Return all partials so far."""
        for spectra in self._spectra.rest():
            self._add(spectra)
        lasting = [numbers for numbers, _ in self._lasting]
        numbers = np.concatenate([np.zeros((0, 2), np.int32), *lasting, *self._numbers])
        lasting_rows = [rows for _, rows in self._lasting]
        rows = np.concatenate([np.zeros((0, 3), np.float32), *lasting_rows, *self._rows])
        return Partials(self._step_s, OVERLAP * self._step_s, *numbers.T, *rows.T)
