"""Measure the level of a side above its noise print: without hum, hiss and DC offset.

The spectrum of noise and hum is measured where nothing else sounds, and every spectrum of the side
is compared with it line by line. So a quiet opening is found between the harmonics of a much louder
hum. The noise is a low quantile of the power in each line, after minimum statistics (Martin, IEEE
Trans. SAP 9, 2001, from memory). Tuned empirically on sides with known cuts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.programme import WEIGHTED_HZ
from assembler.restoration.analysis.spectra import hann

FRAME_S = 0.02
"""From one spectrum to the next."""
WINDOW_S = 0.128
"""Long enough to resolve the harmonics of a hum."""
_EDGES_HZ = (30, 100, 160, 250, 350, 500, 700, 1000, 1400, 2000, 3000, 5000)
"""Edges of the bands that are compared with the noise print."""
_GROUPED_FROM_HZ = 1500
_GROUPED = 4
_SMOOTHED_FRAMES = 9
_QUANTILE = 0.3
_LEAST_FRAMES = 25
_MOST_FRAMES = 6000
_SILENT = 1e-15
"""Power of a line without any sound, not even the dither of a converter."""
_ROUNDS = 3
_LOWEST_SHARE = 0.03
_NEIGHBOUR_LINES = 12
_HUM_OVER = 8.0
_RELEVANT_SHARE = 0.5

Array = NDArray[np.float64]
Powers = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """Powers of a side over time."""

    parts: tuple[Powers, ...]
    """Powers of both channels together, each of shape (frames, lines); one frame per `FRAME_S`."""
    lines_hz: Array
    scale: float
    """The sum of all lines, times this, is the mean square of both channels."""

    @property
    def frames(self) -> int:
        """Number of frames."""
        return sum(map(len, self.parts))


@compiled
def _fill_powers(
    spectra: NDArray[Any], edges: NDArray[Any], bins: NDArray[Any], powers: NDArray[Any]
) -> None:
    """Fill the powers of both channels from spectra of left + j·right, lines edge to edge.

    spectra: interleaved real and imaginary parts; bins: buffer for the bins between first and last
    edge.
    """
    size, first = spectra.shape[1], edges[0]
    for n in range(spectra.shape[0]):
        row = spectra[n]
        for k in range(bins.shape[0]):
            one = 2 * (first + k)
            other = size - one
            a, b, c, d = row[one], row[one + 1], row[other], row[other + 1]
            bins[k] = a * a + b * b + c * c + d * d
        for line in range(edges.shape[0] - 1):
            power = np.float32(0)
            for k in range(edges[line], edges[line + 1]):
                power += bins[k - first]
            powers[n, line] = power


class SpectrogramMeter:
    """Meter of the spectrum of a stereo stream over time, up to 5 kHz.

    Parameters
    ----------
    rate_hz
        Sample rate; 12 kHz is enough.
    """

    def __init__(self, rate_hz: int) -> None:
        import scipy.fft

        self._hop = FRAME_S * rate_hz
        self._size: int = scipy.fft.next_fast_len(round(WINDOW_S * rate_hz))
        self._shape = np.repeat(hann(self._size), 2).astype(np.float32)
        line_hz = rate_hz / self._size
        first, grouped, last = (
            max(1, round(min(hz, 0.42 * rate_hz) / line_hz))
            for hz in (_EDGES_HZ[0], _GROUPED_FROM_HZ, _EDGES_HZ[-1])
        )
        self._edges = np.array([*range(first, grouped), *range(grouped, last + 1, _GROUPED)])
        self._lines_hz = (self._edges[:-1] + self._edges[1:] - 1) / 2 * line_hz
        self._bins = np.zeros(self._edges[-1] - self._edges[0], np.float32)
        self._low = np.zeros((self._size // 2, 2), np.float32)
        self._first = -(self._size // 2)
        self._frames: list[Powers] = []
        self._count = 0

    def feed(self, block: Samples) -> None:
        """Add the next samples, shape (frames, 2)."""
        self._add(block)

    def reading(self) -> Spectrogram:
        """Return the spectra of all samples so far; no more may be fed."""
        self._add(np.zeros((self._size // 2, 2), np.float32))
        scale = 1 / (self._size * float(np.square(self._shape).sum()))
        return Spectrogram(tuple(self._frames), self._lines_hz, scale)

    def _add(self, low: Samples) -> None:
        import scipy.fft

        self._low = np.concatenate((self._low, low))
        last = self._first + len(self._low) - self._size + self._size // 2
        count = max(int(last / self._hop) + 1 - self._count, 0)
        if last < 0 or not count:
            return
        at = np.round(np.arange(self._count, self._count + count) * self._hop).astype(np.int64)
        at = at - self._size // 2 - self._first
        windows = sliding_window_view(self._low.reshape(-1), len(self._shape))[2 * at]
        windows *= self._shape
        spectra = scipy.fft.fft(windows.view(np.complex64), overwrite_x=True)
        powers = np.empty((count, len(self._lines_hz)), np.float32)
        _fill_powers(spectra.view(np.float32), self._edges, self._bins, powers)
        self._frames.append(powers)
        self._count += count
        following = round(self._count * self._hop) - self._size // 2
        self._low = self._low[following - self._first :]
        self._first = following


def level_without_hum(spectrogram: Spectrogram) -> Powers | None:
    """Measure the level of a side in the lines between those of a hum.

    Hum stands out of its neighbours in the quietest passages: lines whose low quantile over time
    does so are left out.

    Returns
    -------
    ndarray of float32 or None
        In dB, mean of both channels from 130 Hz up, for each frame; None if there is no relevant
        hum.
    """
    lines_hz, every = spectrogram.lines_hz, max(1, spectrogram.frames // _MOST_FRAMES)
    parts = [part[::every] for part in spectrogram.parts]
    sample = np.concatenate([np.zeros((0, len(lines_hz)), np.float32), *parts])
    sample = sample[sample.max(axis=1, initial=0) > _SILENT]
    if len(sample) < _LEAST_FRAMES:
        return None
    low = np.quantile(sample, _LOWEST_SHARE, axis=0)
    padded = np.pad(low, _NEIGHBOUR_LINES, mode="edge")
    neighbours = sliding_window_view(padded, 2 * _NEIGHBOUR_LINES + 1)
    background = np.quantile(neighbours, _QUANTILE, axis=1)
    weighted = lines_hz >= WEIGHTED_HZ
    hum = weighted & (lines_hz < _GROUPED_FROM_HZ) & (low > _HUM_OVER * background)
    if low[hum].sum() < _RELEVANT_SHARE * low[weighted & ~hum].sum():
        return None
    weights = (weighted & ~hum).astype(np.float32) * np.float32(spectrogram.scale)
    powers = [part @ weights for part in spectrogram.parts]
    return np.asarray(10 * np.log10(np.maximum(np.concatenate(powers), 1e-12)), np.float32)


def levels_over_print(spectrogram: Spectrogram, at_floor: NDArray[np.bool_]) -> Powers:
    """Measure the level of each band above the noise print.

    Parameters
    ----------
    spectrogram, at_floor
        Spectrogram of the side, and for each frame whether the side is at its noise floor: noise,
        or sound masked by noise or hum.

    Returns
    -------
    ndarray of float32, shape (bands, frames)
        In dB; noise is 0. No bands if the side has too little noise to be measured.
    """
    lines_hz = spectrogram.lines_hz
    edges = np.cumsum([0, *map(len, spectrogram.parts)])
    every = max(1, int(at_floor.sum()) // _MOST_FRAMES)
    noise = []
    for part, begin in zip(spectrogram.parts, edges[:-1], strict=True):
        kept = part[at_floor[begin : begin + len(part)]]
        noise.append(kept[kept.max(axis=1, initial=0) > _SILENT][::every])
    powers = np.concatenate(noise) if noise else np.zeros((0, len(lines_hz)), np.float32)
    if len(powers) < _LEAST_FRAMES:
        return np.zeros((0, spectrogram.frames), np.float32)
    band_of = np.digitize(lines_hz, _EDGES_HZ[1:-1])
    bands = (band_of[:, None] == np.unique(band_of)).astype(np.float32)
    bands /= bands.sum(axis=0)
    weights = _weights(powers, bands)
    means = [part @ weights for part in spectrogram.parts]
    return np.ascontiguousarray(10 * np.log10(np.maximum(np.concatenate(means), 1e-6)).T)


def _weights(powers: Powers, bands: Powers) -> Powers:
    """Return the weight of each line in each band, so that noise alone has the power 1.

    The noise print is first the low quantile of each line, then the mean of the frames in which the
    loudest band is lowest: those without masked sound.
    """
    noise = np.quantile(_smoothed(powers), _QUANTILE, axis=0).astype(np.float32)
    for _ in range(_ROUNDS):
        scaled = np.asarray(bands / np.maximum(noise, _SILENT)[:, None], np.float32)
        over = _smoothed(powers @ scaled)
        loudest = (over / np.quantile(over, _QUANTILE, axis=0)).max(axis=1)
        alone = np.flatnonzero(loudest <= np.quantile(loudest, _QUANTILE))
        noise = powers[alone + (len(powers) - len(over)) // 2].mean(axis=0)
    return np.asarray(bands / np.maximum(noise, _SILENT)[:, None], np.float32)


def _smoothed(frames: Powers) -> Powers:
    """Return means over `_SMOOTHED_FRAMES` neighbours."""
    sums = np.cumsum(np.pad(frames, ((1, 0), (0, 0))), axis=0, dtype=np.float64)
    many = min(_SMOOTHED_FRAMES, len(frames))
    return np.asarray((sums[many:] - sums[:-many]) / many, np.float32)
