"""Peaks of two-sided prediction errors, in which clicks are searched for.

Each channel is filtered by a short linear predictor, fitted to every hop and half a hop on either
side. From its residual each sample's error against interpolation from both sides follows; of each
third of a millisecond the peak is kept.

Source: errors of two-sided interpolation as detection signals, Godsill and Rayner, Digital Audio
Restoration (1998), from memory.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.autoregression import levinson
from assembler.restoration.analysis.click_extent import clear_outside

HOP = 1024
"""Samples per short predictor at rates near 44.1 kHz; it is fitted to twice as many."""
BLOCK = 16
"""Samples of which the peak is kept, at the same rates."""
_TAPS = 12
_RIDGE = 1e-5


def time_scale(rate_hz: int) -> int:
    """Return the factor for lengths in samples at a rate: 1 near 44.1 kHz, 2 near 96 kHz."""
    return 1 << max(0, round(math.log2(rate_hz / 46000)))


def error_peaks(samples: Samples, scale: int, start: int, end: int) -> NDArray[np.float32]:
    """Return the peak of the two-sided errors in each block of whole hops, shape (2, blocks).

    Parameters
    ----------
    samples
        Shape (frames, 2): the hops, with half a hop before the first and after the last.
    scale
        Factor for lengths in samples, see `time_scale`.
    start, end
        Where the stream starts and ends in the samples: zeros outside.
    """
    hop = HOP * scale
    peaks = np.empty((2, (len(samples) // hop - 1) * (hop // (BLOCK * scale))), np.float32)
    _fill_peaks(samples, _hann(hop), BLOCK * scale, start - hop // 2, end - hop // 2, peaks)
    return peaks


@lru_cache(maxsize=4)
def _hann(hop: int) -> NDArray[np.float32]:
    return np.hanning(2 * hop + 2)[1:-1].astype(np.float32)


@compiled
def _fill_peaks(
    samples: NDArray[Any],
    hann: NDArray[Any],
    block: int,
    start: int,
    end: int,
    peaks: NDArray[Any],
) -> None:
    """Fill the peaks of each channel; `start` and `end` from the first hop on."""
    order, hop = _TAPS - 1, hann.shape[0] // 2
    sound = np.empty(samples.shape[0], np.float32)
    windowed = np.zeros(2 * hop + _TAPS, np.float32)
    eighths = np.empty((3, hop // 4), np.float32)
    lags, sums = np.empty(_TAPS), np.empty(hop // 32)
    errors, expected = np.empty(hop + order, np.float32), np.empty(hop, np.float32)
    ahead, both = np.empty(_TAPS, np.float32), np.empty(_TAPS, np.float32)
    for channel in range(2):
        for i in range(samples.shape[0]):
            sound[i] = samples[i, channel]
        for frame in range(samples.shape[0] // hop - 1):
            begin = frame * hop
            piece = sound[begin : begin + 2 * hop]
            for i in range(2 * hop):
                windowed[i] = piece[i] * hann[i]
            _autocorrelate(windowed, eighths, sums, lags)
            model = levinson(lags, _RIDGE)
            power = 0.0
            for k in range(_TAPS):
                power += model[k] * model[k]
            for k in range(_TAPS):
                ahead[order - k], both[k] = model[k], model[k] / power
            _filter(piece[hop // 2 - order :], ahead, errors)
            clear_outside(errors, start + order - begin, end - begin)
            _filter(errors, both, expected)
            clear_outside(expected, start + order - begin, end - order - begin)
            _fill_block_peaks(expected, block, peaks[channel, begin // block :])


@compiled
def _autocorrelate(
    sound: NDArray[Any], eighths: NDArray[Any], sums: NDArray[Any], lags: NDArray[Any]
) -> None:
    """Fill the sum of products at each lag, three at a time, in eight parts of the sound."""
    n = eighths.shape[1]
    a0, a1, a2, a3 = sound[:n], sound[n : 2 * n], sound[2 * n : 3 * n], sound[3 * n : 4 * n]
    a4, a5, a6, a7 = sound[4 * n :], sound[5 * n :], sound[6 * n :], sound[7 * n :]
    e0, e1, e2 = eighths[0], eighths[1], eighths[2]
    for k in range(0, lags.shape[0], 3):
        late = sound[k:]
        b0, b1, b2, b3 = late[:n], late[n:], late[2 * n :], late[3 * n :]
        b4, b5, b6, b7 = late[4 * n :], late[5 * n :], late[6 * n :], late[7 * n :]
        for j in range(n):
            s0, s1, s2, s3 = a0[j], a1[j], a2[j], a3[j]
            s4, s5, s6, s7 = a4[j], a5[j], a6[j], a7[j]
            front = (s0 * b0[j] + s1 * b1[j]) + (s2 * b2[j] + s3 * b3[j])
            back = (s4 * b4[j] + s5 * b5[j]) + (s6 * b6[j] + s7 * b7[j])
            e0[j] = front + back
            front = (s0 * b0[j + 1] + s1 * b1[j + 1]) + (s2 * b2[j + 1] + s3 * b3[j + 1])
            back = (s4 * b4[j + 1] + s5 * b5[j + 1]) + (s6 * b6[j + 1] + s7 * b7[j + 1])
            e1[j] = front + back
            front = (s0 * b0[j + 2] + s1 * b1[j + 2]) + (s2 * b2[j + 2] + s3 * b3[j + 2])
            back = (s4 * b4[j + 2] + s5 * b5[j + 2]) + (s6 * b6[j + 2] + s7 * b7[j + 2])
            e2[j] = front + back
        for lag in range(3):
            lags[k + lag] = _total(eighths[lag], sums)


@compiled
def _total(values: NDArray[Any], sums: NDArray[Any]) -> float:
    """Return the sum of single-precision values in double precision."""
    n = sums.shape[0]
    v0, v1, v2, v3 = values[:n], values[n:], values[2 * n :], values[3 * n :]
    v4, v5, v6, v7 = values[4 * n :], values[5 * n :], values[6 * n :], values[7 * n :]
    for j in range(n):
        front = (np.float64(v0[j]) + v1[j]) + (np.float64(v2[j]) + v3[j])
        back = (np.float64(v4[j]) + v5[j]) + (np.float64(v6[j]) + v7[j])
        sums[j] = front + back
    t0 = t1 = t2 = t3 = 0.0
    for j in range(0, n, 4):
        t0, t1, t2, t3 = t0 + sums[j], t1 + sums[j + 1], t2 + sums[j + 2], t3 + sums[j + 3]
    return (t0 + t1) + (t2 + t3)


@compiled
def _filter(sound: NDArray[Any], taps: NDArray[Any], out: NDArray[Any]) -> None:
    """Fill each out[i] with the sum of sound[i + k] taps[k]."""
    t0, t1, t2, t3, t4, t5 = taps[0], taps[1], taps[2], taps[3], taps[4], taps[5]
    t6, t7, t8, t9, t10, t11 = taps[6], taps[7], taps[8], taps[9], taps[10], taps[11]
    s1, s2, s3, s4, s5, s6 = sound[1:], sound[2:], sound[3:], sound[4:], sound[5:], sound[6:]
    s7, s8, s9, s10, s11 = sound[7:], sound[8:], sound[9:], sound[10:], sound[11:]
    for i in range(out.shape[0]):
        total = (t0 * sound[i] + t1 * s1[i]) + (t2 * s2[i] + t3 * s3[i])
        total += (t4 * s4[i] + t5 * s5[i]) + (t6 * s6[i] + t7 * s7[i])
        out[i] = total + ((t8 * s8[i] + t9 * s9[i]) + (t10 * s10[i] + t11 * s11[i]))


@compiled
def _fill_block_peaks(values: NDArray[Any], block: int, peaks: NDArray[Any]) -> None:
    """Fill the highest absolute value of each block; as bits, values above 0 compare as numbers."""
    bits, peak_bits = values.view(np.int32), peaks.view(np.int32)
    for b in range(values.shape[0] // block):
        peak = np.int32(0)
        for i in range(b * block, (b + 1) * block):
            peak = max(peak, np.int32(bits[i] & 0x7FFFFFFF))
        peak_bits[b] = peak
