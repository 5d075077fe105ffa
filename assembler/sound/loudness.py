"""Loudness by ITU-R BS.1770-5 and EBU Tech 3341, loudness range by EBU Tech 3342.

The K-weighting is the standard's two biquads, re-derived at each rate from their analogue
prototypes with the parameters that B. De Man found to give the published coefficients at 48 kHz
(pyloudnorm's filter class "DeMan" has them too).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assembler.sound.blocks import Samples
from assembler.sound.compiled import compiled

_SHELF_DB, _SHELF_Q, _SHELF_HZ = 3.99984385397, 0.7071752369554193, 1681.9744509555319
_SHELF_SPREAD = 0.499666774155
_HIGH_PASS_Q, _HIGH_PASS_HZ = 0.5003270373253953, 38.13547087613982
HOPS_PER_SECOND = 100
"""Energies are kept for each 10 ms, so that the highest momentary loudness is not stepped over."""
GATING_STEP_HOPS = 10
"""Gating blocks of 400 ms overlap by 75 %."""
MOMENTARY_HOPS = 40
SHORT_TERM_HOPS = 300
ABSOLUTE_GATE_LUFS = -70.0
_OFFSET_LU = -0.691
_WEIGHTS = {1: (1.0,), 2: (1.0, 1.0), 5: (1.0, 1.0, 1.0, 1.41, 1.41)}

Energies = NDArray[np.float64]


def k_weighting(rate_hz: int) -> NDArray[np.float64]:
    """Give the two K-weighting biquads.

    Re-derived at another rate, the published pair drifts by up to 0.03 dB, its high pass having a
    small gain that depends on the rate. So each pair is calibrated at 997 Hz, the frequency at
    which the standard states its reading.

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
    """Take the analogue prototypes behind the published biquads to a rate, bilinearly."""
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


@compiled
def _weighted_energies(block, stages, memory, position, rate_hz, sums, hops):  # type: ignore[no-untyped-def]
    """Filter a block and sum its squares up to each 10 ms edge; give the count of full hops."""
    done = 0
    hop = position * HOPS_PER_SECOND // rate_hz
    edge = (hop + 1) * rate_hz // HOPS_PER_SECOND
    if edge <= position:
        hop += 1
        edge = (hop + 1) * rate_hz // HOPS_PER_SECOND
    for i in range(block.shape[0]):
        for c in range(block.shape[1]):
            x = float(block[i, c])
            for s in range(2):
                y = stages[s, 0] * x + memory[c, s, 0]
                memory[c, s, 0] = stages[s, 1] * x - stages[s, 3] * y + memory[c, s, 1]
                memory[c, s, 1] = stages[s, 2] * x - stages[s, 4] * y
                x = y
            sums[c] += x * x
        position += 1
        if position == edge:
            for c in range(block.shape[1]):
                hops[done, c] = sums[c]
                sums[c] = 0.0
                for s in range(2):  # a filter that rings down in silence must not reach denormals
                    for k in range(2):
                        if abs(memory[c, s, k]) < 1e-20:
                            memory[c, s, k] = 0.0
            done += 1
            hop += 1
            edge = (hop + 1) * rate_hz // HOPS_PER_SECOND
    return done


class EnergyMeter:
    """K-weighted energy of a stream, for each 10 ms.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        1, 2, or 5 (L, R, C, Ls, Rs).

    Raises
    ------
    ValueError
        The standard gives no weights for so many channels here.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        if channels not in _WEIGHTS:
            raise ValueError(f"no loudness weights for {channels} channels")
        self.rate_hz = rate_hz
        self._stages = k_weighting(rate_hz)
        self._memory = np.zeros((channels, 2, 2))
        self._sums = np.zeros(channels)
        self._weights = np.array(_WEIGHTS[channels])
        self._position = 0
        self._hops: list[Energies] = []

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (frames, channels)."""
        most = len(block) * HOPS_PER_SECOND // self.rate_hz + 2
        hops = np.zeros((most, len(self._weights)))
        done = _weighted_energies(
            block, self._stages, self._memory, self._position, self.rate_hz, self._sums, hops
        )
        self._position += len(block)
        self._hops.append(hops[:done] @ self._weights)

    def loudness(self) -> Loudness:
        """Give the reading of all that was fed."""
        hops = np.concatenate(self._hops) if self._hops else np.zeros(0)
        edges = np.arange(len(hops) + 1) * self.rate_hz // HOPS_PER_SECOND
        momentary = _windows(hops, edges, MOMENTARY_HOPS)
        short_term = _windows(hops, edges, SHORT_TERM_HOPS)
        return Loudness(
            integrated_lufs=_integrated(momentary[::GATING_STEP_HOPS]),
            max_momentary_lufs=_highest(momentary),
            max_short_term_lufs=_highest(short_term),
            range_lu=_range(short_term[::GATING_STEP_HOPS]),
        )


@dataclass(frozen=True)
class Loudness:
    """A loudness reading; None where nothing passes the gate or the sound is too short."""

    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    range_lu: float | None


def _windows(hops: Energies, edges: NDArray[np.int64], length: int) -> Energies:
    """Mean square of each sliding window of `length` hops."""
    if len(hops) < length:
        return np.zeros(0)
    sums = np.zeros(len(hops) - length + 1)
    for first in range(length):  # no running sum: its rounding would stay in silence for ever
        sums += hops[first : first + len(sums)]
    means: Energies = sums / (edges[length:] - edges[:-length])
    return means


def _lufs(mean_square: float) -> float:
    return float(_OFFSET_LU + 10 * np.log10(mean_square))


def _above(windows: Energies, gate_lufs: float) -> Energies:
    return windows[windows > 10 ** ((gate_lufs - _OFFSET_LU) / 10)]


def _integrated(windows: Energies) -> float | None:
    heard = _above(windows, ABSOLUTE_GATE_LUFS)
    if not len(heard):
        return None
    return _lufs(float(_above(heard, _lufs(float(heard.mean())) - 10).mean()))


def _highest(windows: Energies) -> float | None:
    highest = float(windows.max()) if len(windows) else 0.0
    return _lufs(highest) if highest > 1e-15 else None


def _range(windows: Energies) -> float | None:
    heard = _above(windows, ABSOLUTE_GATE_LUFS)
    if not len(heard):
        return None
    counted = _above(heard, _lufs(float(heard.mean())) - 20)
    low, high = np.percentile(counted, [10, 95])
    return _lufs(high) - _lufs(low)
