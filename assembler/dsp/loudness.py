"""Loudness by ITU-R BS.1770-5 and EBU Tech 3341, loudness range by EBU Tech 3342.

The K-weighting is the standard's two biquads, re-derived at each rate from their analogue
prototypes with the parameters that B. De Man found to give the published coefficients at 48 kHz
(pyloudnorm's filter class "DeMan" has them too).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled

_SHELF_DB, _SHELF_Q, _SHELF_HZ = 3.99984385397, 0.7071752369554193, 1681.9744509555319
_SHELF_SPREAD = 0.499666774155
_HIGH_PASS_Q, _HIGH_PASS_HZ = 0.5003270373253953, 38.13547087613982
HOPS_PER_SECOND = 100
"""Energies are kept per 10 ms, so that the maximum momentary loudness is not missed."""
GATING_STEP_HOPS = 10
"""Gating blocks of 400 ms overlap by 75 %."""
MOMENTARY_HOPS = 40
SHORT_TERM_HOPS = 300
ABSOLUTE_GATE_LUFS = -70.0
_OFFSET_LU = -0.691
_WEIGHTS = {1: (1.0,), 2: (1.0, 1.0), 5: (1.0, 1.0, 1.0, 1.41, 1.41)}

Energies = NDArray[np.float64]


def k_weighting(rate_hz: int) -> NDArray[np.float64]:
    """Return the two K-weighting biquads.

    Re-derived at another rate, the published pair differs by up to 0.03 dB, because its high pass
    has a small gain that depends on the rate. So each pair is calibrated at 997 Hz, the frequency
    for which the standard states a reading.

    Returns
    -------
    ndarray, shape (2, 5)
        b0, b1, b2, a1, a2 of the high shelf and of the high pass, a0 = 1.
    """
    weighting = _rederived(rate_hz)
    weighting[1, :3] *= _gain_at_997_hz(_rederived(48000), 48000) / _gain_at_997_hz(
        weighting, rate_hz
    )
    return weighting


def _rederived(rate_hz: int) -> NDArray[np.float64]:
    """Return the analogue prototypes of the published biquads at a rate, by bilinear transform."""
    k = math.tan(math.pi * _SHELF_HZ / rate_hz)
    high, edge = 10 ** (_SHELF_DB / 20), 10 ** (_SHELF_DB / 20 * _SHELF_SPREAD)
    a0 = 1 + k / _SHELF_Q + k * k
    shelf = [
        (high + edge * k / _SHELF_Q + k * k) / a0,
        2 * (k * k - high) / a0,
        (high - edge * k / _SHELF_Q + k * k) / a0,
        2 * (k * k - 1) / a0,
        (1 - k / _SHELF_Q + k * k) / a0,
    ]
    k = math.tan(math.pi * _HIGH_PASS_HZ / rate_hz)
    a0 = 1 + k / _HIGH_PASS_Q + k * k
    high_pass = [1, -2, 1, 2 * (k * k - 1) / a0, (1 - k / _HIGH_PASS_Q + k * k) / a0]
    return np.array([shelf, high_pass])


def _gain_at_997_hz(stages: NDArray[np.float64], rate_hz: int) -> float:
    z = np.exp(-2j * np.pi * 997 / rate_hz)
    numerators = stages[:, 0] + stages[:, 1] * z + stages[:, 2] * z**2
    denominators = 1 + stages[:, 3] * z + stages[:, 4] * z**2
    return float(np.abs(np.prod(numerators / denominators)))


def _fir_and_poles(rate_hz: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Split the two biquads into one filter without feedback and the feedback of each.

    Returns
    -------
    fir, shape (5,)
    poles, shape (4,)
        a1, a2 of the high shelf and of the high pass.
    """
    shelf, high_pass = k_weighting(rate_hz)
    return np.convolve(shelf[:3], high_pass[:3]), np.concatenate((shelf[3:], high_pass[3:]))


@compiled
def _without_feedback(flat: Samples, channels: int, fir: Energies, out: Energies) -> None:
    """Filter interleaved channels; `flat` begins four frames before `out`."""
    f0, f1, f2, f3, f4 = fir[0], fir[1], fir[2], fir[3], fir[4]
    x0, x1, x2 = flat[4 * channels :], flat[3 * channels :], flat[2 * channels :]
    x3, x4 = flat[channels:], flat
    for j in range(out.shape[0]):
        out[j] = f0 * x0[j] + f1 * x1[j] + f2 * x2[j] + f3 * x3[j] + f4 * x4[j]


@compiled
def _add_energies_of_two(
    frames: Energies, poles: Energies, c: int, d: int, memory: Energies, sums: Energies
) -> None:
    """Filter two channels, which is as fast as one on most processors, and sum their squares."""
    a1, a2, b1, b2 = poles[0], poles[1], poles[2], poles[3]
    y1, y2, z1, z2 = memory[c, 0], memory[c, 1], memory[c, 2], memory[c, 3]
    u1, u2, v1, v2 = memory[d, 0], memory[d, 1], memory[d, 2], memory[d, 3]
    energy_c, energy_d = sums[c], sums[d]
    for i in range(frames.shape[0]):
        y = (frames[i, c] - a2 * y2) - a1 * y1
        u = (frames[i, d] - a2 * u2) - a1 * u1
        z = (y - b2 * z2) - b1 * z1
        v = (u - b2 * v2) - b1 * v1
        energy_c += z * z
        energy_d += v * v
        y2, y1, z2, z1 = y1, y, z1, z
        u2, u1, v2, v1 = u1, u, v1, v
    memory[c, 0], memory[c, 1], memory[c, 2], memory[c, 3] = y1, y2, z1, z2
    memory[d, 0], memory[d, 1], memory[d, 2], memory[d, 3] = u1, u2, v1, v2
    sums[c], sums[d] = energy_c, energy_d


@compiled
def _flush_denormals(memory: Energies) -> None:
    """Set the state of a filter that has decayed in silence to zero."""
    for c in range(memory.shape[0]):
        for k in range(memory.shape[1]):
            if abs(memory[c, k]) < 1e-20:
                memory[c, k] = 0.0


@compiled
def _weighted_energies(
    padded: Samples,
    edges: NDArray[np.int64],
    fir: Energies,
    poles: Energies,
    memory: Energies,
    buffer: Energies,
    sums: Energies,
) -> None:
    """Add a block's K-weighted energies to the sums of its hops.

    padded: (frames + 4, channels), with the four frames before the block; edges: first frame of
    each hop after the first, and the block's end; buffer: (longest hop, channels); sums: (hops,
    channels).
    """
    channels = padded.shape[1]
    begin = 0
    for hop in range(edges.shape[0]):
        frames = buffer[: edges[hop] - begin]
        flat = padded[begin : edges[hop] + 4].reshape(-1)
        _without_feedback(flat, channels, fir, frames.reshape(-1))
        for c in range(0, channels, 2):
            d = min(c + 1, channels - 1)
            _add_energies_of_two(frames, poles, c, d, memory, sums[hop])
        if hop < edges.shape[0] - 1:
            _flush_denormals(memory)
        begin = edges[hop]


class HopEnergies:
    """K-weighted energy of a stream in each hop of 10 ms, weighted and summed over its channels.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        1, 2, or 5 (L, R, C, Ls, Rs).

    Raises
    ------
    ValueError
        The standard has no weights for this number of channels.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        if channels not in _WEIGHTS:
            raise ValueError(f"no loudness weights for {channels} channels")
        self._rate_hz = rate_hz
        self._fir, self._poles = _fir_and_poles(rate_hz)
        self._memory = np.zeros((channels, 4))
        self._before = np.zeros((4, channels), np.float32)
        self._buffer = np.zeros((rate_hz // HOPS_PER_SECOND + 1, channels))
        self._weights = np.array(_WEIGHTS[channels])
        self._position = 0
        self._unfinished = np.zeros(channels)

    def feed(self, block: Samples) -> Energies:
        """Add samples, shape (frames, channels), and return the hops that are now complete."""
        if not len(block):
            return np.zeros(0)
        padded = np.concatenate((self._before, block))
        self._before = padded[-4:].copy()
        end = self._position + len(block)
        first = self._hop_at(self._position)
        full = np.arange(first + 1, self._hop_at(end) + 1) * self._rate_hz // HOPS_PER_SECOND
        edges = np.append(full - self._position, len(block))
        sums = np.zeros((len(edges), len(self._weights)))
        sums[0] = self._unfinished
        _weighted_energies(padded, edges, self._fir, self._poles, self._memory, self._buffer, sums)
        self._position = end
        self._unfinished = sums[-1]
        hops: Energies = sums[:-1] @ self._weights
        return hops

    def _hop_at(self, position: int) -> int:
        """Return the hop of a sample; hop h begins at h * rate // 100."""
        return ((position + 1) * HOPS_PER_SECOND - 1) // self._rate_hz


class EnergyMeter:
    """Loudness of a stream.

    Parameters
    ----------
    rate_hz, channels
        As for `HopEnergies`.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._hops = HopEnergies(rate_hz, channels)
        self._momentary = _SlidingMeans(rate_hz, MOMENTARY_HOPS)
        self._short_term = _SlidingMeans(rate_hz, SHORT_TERM_HOPS)

    def feed(self, block: Samples) -> None:
        """Add samples, shape (frames, channels)."""
        hops = self._hops.feed(block)
        self._momentary.feed(hops)
        self._short_term.feed(hops)

    def loudness(self) -> Loudness:
        """Return the loudness of all samples so far."""
        return Loudness(
            integrated_lufs=_integrated(self._momentary.gating_blocks()),
            max_momentary_lufs=_lufs_or_none(self._momentary.highest),
            max_short_term_lufs=_lufs_or_none(self._short_term.highest),
            range_lu=_range(self._short_term.gating_blocks()),
        )

    def gating_blocks(self) -> Energies:
        """Return the mean squares of the 400 ms gating blocks, for `integrated_of`."""
        return self._momentary.gating_blocks()


@compiled
def _add_windows(hops: Energies, length: int, sums: Energies) -> None:
    """Sum each window of hops separately: a running sum would keep its rounding errors."""
    for first in range(length):
        for i in range(sums.shape[0]):
            sums[i] += hops[first + i]


class _SlidingMeans:
    """Mean squares of sliding windows: the highest at any hop, and every tenth one for gating."""

    def __init__(self, rate_hz: int, length: int) -> None:
        self.highest = 0.0
        self._rate_hz = rate_hz
        self._length = length
        self._first = 0  # hop at which the next window begins
        self._recent: Energies = np.zeros(0)
        self._blocks: list[Energies] = []

    def feed(self, hops: Energies) -> None:
        """Add the energies of the next hops."""
        hops = np.concatenate((self._recent, hops))
        count = max(0, len(hops) - self._length + 1)
        self._recent = hops[count:]
        if not count:
            return
        sums = np.zeros(count)
        _add_windows(hops, self._length, sums)
        starts = np.arange(self._first, self._first + count)
        ends = (starts + self._length) * self._rate_hz // HOPS_PER_SECOND
        means = sums / (ends - starts * self._rate_hz // HOPS_PER_SECOND)
        self.highest = max(self.highest, float(means.max()))
        self._blocks.append(means[-self._first % GATING_STEP_HOPS :: GATING_STEP_HOPS].copy())
        self._first += count

    def gating_blocks(self) -> Energies:
        """Return the windows that begin at every tenth hop."""
        return np.concatenate(self._blocks) if self._blocks else np.zeros(0)


@dataclass(frozen=True)
class Loudness:
    """A loudness reading; None where nothing is above the gate or the sound is too short."""

    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    range_lu: float | None


def _lufs(mean_square: float) -> float:
    return float(_OFFSET_LU + 10 * np.log10(mean_square))


def _above(windows: Energies, gate_lufs: float) -> Energies:
    return windows[windows > 10 ** ((gate_lufs - _OFFSET_LU) / 10)]


def _integrated(windows: Energies) -> float | None:
    audible = _above(windows, ABSOLUTE_GATE_LUFS)
    if not len(audible):
        return None
    return _lufs(float(_above(audible, _lufs(float(audible.mean())) - 10).mean()))


def _lufs_or_none(mean_square: float) -> float | None:
    return _lufs(mean_square) if mean_square > 1e-15 else None


def integrated_of(blocks: Iterable[Energies]) -> float | None:
    """Return the integrated loudness of several sounds together, from their gating blocks."""
    return _integrated(np.concatenate([np.zeros(0), *blocks]))


def _range(windows: Energies) -> float | None:
    audible = _above(windows, ABSOLUTE_GATE_LUFS)
    if not len(audible):
        return None
    gated = _above(audible, _lufs(float(audible.mean())) - 20)
    low, high = np.percentile(gated, [10, 95])
    return _lufs(high) - _lufs(low)
