"""Fit autoregressive models to short passages, and interpolate missing samples with them.

A sample is predicted from those before it. The prediction error is small and even in music; a click
stands out of it. Missing samples are chosen so that the sum of squared errors around them is least
(least-squares autoregressive interpolation).

Source: Godsill and Rayner, Digital Audio Restoration (1998), from memory.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.compiled import compiled

Signal = NDArray[np.float64]

RIDGE = 1e-6
"""Power of white noise added to each model, relative to the signal: keeps empty bands stable."""
_SILENT = 1e-20
_SMOOTHED = 33
"""Samples over which the power of the noise in a gap is averaged."""
_LEAST_NOISE = 1e-3
"""Least power of the noise, re that of the prediction errors."""


@compiled
def lpc(samples: Signal, order: int) -> Signal:
    """Return the prediction-error filter of a passage (linear prediction); its first tap is 1.

    The autocorrelation of the Hann-windowed passage is solved by Levinson's recursion; for silence
    all other taps are 0.

    Parameters
    ----------
    samples, order
        The passage, and the number of previous samples that predict one.
    """
    n = samples.shape[0]
    turn = 2.0 * np.pi / (n + 1)
    windowed = np.empty(n)
    for i in range(n):
        windowed[i] = samples[i] * (0.5 - 0.5 * np.cos(turn * (i + 1)))
    lags = np.zeros(order + 1)
    for k in range(min(order + 1, n)):
        lags[k] = dot(windowed[: n - k], windowed[k:])
    return levinson(lags, RIDGE)


@compiled
def dot(one: Signal, other: Signal) -> float:
    """Return the sum of products of two signals of the same length, in four parts."""
    whole = one.shape[0] // 4 * 4
    s0 = s1 = s2 = s3 = 0.0
    for i in range(0, whole, 4):
        s0, s1 = s0 + one[i] * other[i], s1 + one[i + 1] * other[i + 1]
        s2, s3 = s2 + one[i + 2] * other[i + 2], s3 + one[i + 3] * other[i + 3]
    for i in range(whole, one.shape[0]):
        s0 += one[i] * other[i]
    return (s0 + s1) + (s2 + s3)


@compiled
def levinson(lags: NDArray[Any], ridge: float) -> Signal:
    """Solve the normal equations of linear prediction.

    Parameters
    ----------
    lags
        Autocorrelation at lags 0, 1, …
    ridge
        Power of white noise to add, relative to the signal.
    """
    order = lags.shape[0] - 1
    taps = np.zeros(order + 1)
    taps[0] = 1.0
    error = lags[0] * (1.0 + ridge)
    if error < _SILENT:
        return taps
    turned = np.zeros(order + 1)
    for k in range(1, order + 1):
        rest = lags[k]
        for j in range(1, k):
            rest += taps[j] * lags[k - j]
        reflection = -rest / error
        if abs(reflection) >= 1.0:
            break
        for j in range(1, k):
            turned[j] = taps[j] + reflection * taps[k - j]
        for j in range(1, k):
            taps[j] = turned[j]
        taps[k] = reflection
        error *= 1.0 - reflection * reflection
    return taps


@compiled
def prediction_errors(samples: Signal, taps: Signal) -> Signal:
    """Return the error of each sample against its prediction from those before it.

    It is 0 for the first samples, with too few before them.
    """
    n = samples.shape[0]
    order = taps.shape[0] - 1
    errors = np.zeros(n)
    if n <= order:
        return errors
    body = errors[order:]
    for k in range(order + 1):
        tap = taps[k]
        earlier = samples[order - k : n - k]
        for i in range(n - order):
            body[i] += tap * earlier[i]
    return errors


@compiled
def error_power(errors: Signal, first: int, last: int) -> float:
    """Return the sum of squares from one sample to before another; above 0 in silence too."""
    total = 1e-18
    for i in range(first, last):
        total += errors[i] * errors[i]
    return total


@compiled
def interpolation_errors(errors: Signal, taps: Signal) -> Signal:
    """Return the error of each sample against its interpolation from both sides.

    `errors` are the prediction errors. It is 0 for the first and last samples, with too few on one
    side.
    """
    n = errors.shape[0]
    order = taps.shape[0] - 1
    expected = np.zeros(n)
    if n <= 2 * order:
        return expected
    power = 0.0
    for k in range(order + 1):
        power += taps[k] * taps[k]
    body = expected[order : n - order]
    for k in range(order + 1):
        tap = taps[k] / power
        later = errors[order + k : n - order + k]
        for i in range(n - 2 * order):
            body[i] += tap * later[i]
    return expected


@compiled
def _banded_cholesky(lags: Signal, weights: Signal, order: int) -> Signal:
    """Return the lower Cholesky factor of the Toeplitz matrix with these lags up to `order`.

    The weights are added to its diagonal.
    """
    size = weights.shape[0]
    root = np.zeros((size, size))
    for i in range(size):
        for j in range(max(0, i - order), i + 1):
            rest = lags[i - j] + (weights[i] if i == j else 0.0)
            for k in range(max(0, i - order), j):
                rest -= root[i, k] * root[j, k]
            root[i, j] = np.sqrt(rest) if i == j else rest / root[j, j]
    return root


@compiled
def _solve_gap(samples: Signal, first: int, last: int, taps: Signal, weights: Signal) -> Signal:
    """Return the least-squares samples from `first` to before `last`.

    A weight above 0 also draws a sample to the one that was there.
    """
    order = taps.shape[0] - 1
    missing = last - first
    lags = np.zeros(missing + order + 1)
    for k in range(order + 1):
        for j in range(order + 1 - k):
            lags[k] += taps[j] * taps[j + k]
    right = np.zeros(missing)
    for i in range(missing):
        for j in range(first + i - order, first + i + order + 1):
            if j < first or j >= last:
                right[i] -= lags[abs(first + i - j)] * samples[j]
        right[i] += weights[i] * samples[first + i]
    root = _banded_cholesky(lags, weights, order)
    for i in range(missing):
        for k in range(max(0, i - order), i):
            right[i] -= root[i, k] * right[k]
        right[i] /= root[i, i]
    for i in range(missing - 1, -1, -1):
        for k in range(i + 1, min(missing, i + order + 1)):
            right[i] -= root[k, i] * right[k]
        right[i] /= root[i, i]
    return right


def ar_interpolate(samples: Signal, first: int, last: int, order: int) -> Signal:
    """Return the samples of a gap, interpolated from the sound around it.

    The model is fitted with a straight line across the gap, then again with the gap filled.

    Parameters
    ----------
    samples, first, last
        The sound around the gap, first sample of the gap and the one after its last.
    order
        Order of the model; less if there are fewer samples on one side.

    Raises
    ------
    ValueError
        The gap touches an end.
    """
    order = min(order, first, len(samples) - last)
    if order < 1:
        raise ValueError("no sound on one side of the gap")
    whole = samples.copy()
    whole[first:last] = lerp(samples, first, last)
    for _ in range(2):
        whole[first:last] = _solve_gap(
            whole, first, last, lpc(whole, order), np.zeros(last - first)
        )
    return whole[first:last]


def ar_restore(samples: Signal, first: int, last: int, order: int) -> Signal:
    """Return the samples of a gap in which noise was added to the sound.

    As `ar_interpolate`, but the samples are also drawn to those that were there: the more, the
    weaker the noise is. Its power is that of the prediction errors above those around the gap.

    Source: Godsill and Rayner, "A Bayesian approach to the restoration of degraded audio signals",
    IEEE Trans. Speech and Audio Processing 3(4), 1995, from memory.
    """
    order = min(order, first // 2, (len(samples) - last) // 2)
    whole = samples.copy()
    whole[first:last] = ar_interpolate(samples, first, last, order)
    for _ in range(2):
        taps = lpc(whole, order)
        powers = prediction_errors(samples, taps) ** 2
        around = np.concatenate((powers[order:first], powers[last + order :]))
        usual = float(np.mean(around)) + _SILENT
        smooth = np.convolve(powers, np.full(_SMOOTHED, 1 / _SMOOTHED), "same")[first:last]
        added = np.maximum(smooth - usual, _LEAST_NOISE * usual) / (taps @ taps)
        damaged = np.concatenate((whole[:first], samples[first:last], whole[last:]))
        whole[first:last] = _solve_gap(damaged, first, last, taps, usual / added)
    return whole[first:last]


def lerp(samples: Signal, first: int, last: int) -> Signal:
    """Return a straight line across a gap, between the samples next to it."""
    return np.linspace(samples[first - 1], samples[last], last - first + 2)[1:-1]
