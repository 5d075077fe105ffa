"""Read a stream at places that move slowly along it: a fractional delay that varies.

Each tap is a polynomial of the place between two samples (C. W. Farrow, "A continuously variable
digital delay element", IEEE ISCAS 1988, from memory), one around every 1/64 of a sample. So one set
of coefficients filters a group of samples, although each of these has a place of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.compiled import compiled

_PHASES = 64
"""Sets of coefficients per sample."""
CHANNEL_ORDER, BOTH_ORDER = 2, 4
"""Order of the polynomials by which one channel or both are read."""


def sinc_taps(fractions: NDArray[np.float64], half: int, beta: float) -> NDArray[np.float64]:
    """Return the taps of a sinc in Kaiser's window that read between samples.

    The filter for a fractional delay of Laakso and others, "Splitting the unit delay", IEEE Signal
    Processing Magazine 13(1), 1996, from memory.

    Parameters
    ----------
    fractions
        Of a sample, about 0 to 1, shape (n,). At 0 the tap of that sample is 1, all others are 0.
    half
        Number of taps on each side.
    beta
        Of the window.

    Returns
    -------
    ndarray, shape (n, 2 half)
        Tap k is for the sample k − half + 1 after the one from which fractions count.
    """
    ages = np.arange(2 * half) - half + 1 - fractions[:, None]
    inside = np.maximum(0, 1 - (ages / half) ** 2)
    sinc = np.where(ages % 1 == 0, ages == 0, np.sinc(ages))
    taps = sinc * np.i0(beta * np.sqrt(inside))
    scaled: NDArray[np.float64] = taps / taps.sum(axis=1, keepdims=True)
    return scaled


def tap_polynomials(
    taps_at: Callable[[NDArray[np.float64]], NDArray[np.float64]], order: int, most_moved: float
) -> NDArray[np.float32]:
    """Return the coefficients of each tap around each 1/64 of a sample.

    They are exact at the Chebyshev nodes of their span, one of which is its middle.

    Parameters
    ----------
    taps_at
        Returns the taps for fractions of a sample from somewhat below 0 to somewhat above 1, as
        `sinc_taps` does.
    order
        Of the polynomials: even.
    most_moved
        By how much the place moves within a group at most, in samples.

    Returns
    -------
    ndarray, shape (64, order + 1, taps)
        From the constant upwards.
    """
    span = most_moved / 2 + 0.5 / _PHASES
    nodes = span * np.sin(np.pi * np.arange(-order // 2, order // 2 + 1) / (order + 1))
    fractions = np.arange(_PHASES)[:, None] / _PHASES + nodes
    taps = taps_at(np.ravel(fractions)).reshape(*fractions.shape, -1)
    powers = np.vander(nodes, increasing=True)
    return np.linalg.solve(powers, taps).astype(np.float32)


@compiled
def read_both(
    samples: NDArray[Any],
    first: int,
    offsets: NDArray[Any],
    step: int,
    group: int,
    coefficients: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """Fill out[n] of both channels with what is offsets after the sample `first` + n.

    offsets: in samples, from `step` to `step`; between them they are on a line.
    group: length of out is a multiple of it, and it of the step.
    coefficients: of `BOTH_ORDER`.
    """
    taps = coefficients.shape[2]
    near = np.zeros((2, group + taps), np.float32)
    sums, moved = np.zeros((2, group), np.float32), np.zeros(group, np.float32)
    for n in range(0, out.shape[0], group):
        whole, phase = _places(offsets[n // step :], step, moved)
        begin = first + n + whole + 1 - taps // 2
        own = samples[begin : begin + group + taps]
        for i in range(group + taps):
            near[0, i], near[1, i] = own[i, 0], own[i, 1]
        for i in range(group):
            sums[0, i] = sums[1, i] = 0.0
        _add_both(near[0], near[1], coefficients[phase], moved, sums[0], sums[1])
        done = out[n : n + group]
        for i in range(group):
            done[i, 0], done[i, 1] = sums[0, i], sums[1, i]


@compiled
def read_channel(
    samples: NDArray[Any],
    first: int,
    offsets: NDArray[Any],
    step: int,
    group: int,
    coefficients: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """Do what `read_both` does for one channel, with coefficients of `CHANNEL_ORDER`.

    Samples between two offsets of zero pass bit for bit.
    """
    taps = coefficients.shape[2]
    near = np.zeros(group + taps, np.float32)
    sums, moved = np.zeros(group, np.float32), np.zeros(group, np.float32)
    for n in range(0, out.shape[0], group):
        whole, phase = _places(offsets[n // step :], step, moved)
        begin = first + n + whole + 1 - taps // 2
        own = samples[begin : begin + group + taps]
        for i in range(group + taps):
            near[i] = own[i]
        for i in range(group):
            sums[i] = 0.0
        _add_channel(near, coefficients[phase], moved, sums)
        done, source = out[n : n + group], samples[first + n : first + n + group]
        for i in range(group):
            done[i] = sums[i]
        for at in range(0, group, step):
            hop = (n + at) // step
            if offsets[hop] == 0 and offsets[hop + 1] == 0:
                for i in range(at, at + step):
                    done[i] = source[i]


@compiled
def _places(offsets: NDArray[Any], step: int, moved: NDArray[Any]) -> tuple[int, int]:
    """Fill `moved` with how far each place of a group is from the nearest 1/64 to its middle.

    Returns
    -------
    whole, phase
        Where that is: whole + phase / 64 samples.
    """
    lines = moved.shape[0] // step
    middle = (offsets[0] + offsets[lines]) / 2
    nearest = int(np.floor(middle * _PHASES + 0.5))
    for line in range(lines):
        begin = offsets[line] - nearest / _PHASES
        slope = (offsets[line + 1] - offsets[line]) / step
        own = moved[line * step : (line + 1) * step]
        for i in range(step):
            own[i] = begin + i * slope
    return nearest // _PHASES, nearest % _PHASES


@compiled
def _add_both(
    left: NDArray[Any],
    right: NDArray[Any],
    rows: NDArray[Any],
    moved: NDArray[Any],
    left_sums: NDArray[Any],
    right_sums: NDArray[Any],
) -> None:
    """Add to the sums the products with polynomials of order 4, two taps at a time."""
    count = moved.shape[0]
    for k in range(0, rows.shape[1], 2):
        a0, a1, a2, a3, a4 = rows[0, k], rows[1, k], rows[2, k], rows[3, k], rows[4, k]
        b0, b1, b2 = rows[0, k + 1], rows[1, k + 1], rows[2, k + 1]
        b3, b4 = rows[3, k + 1], rows[4, k + 1]
        x, y = left[k : k + count + 1], right[k : k + count + 1]
        for i in range(count):
            d = moved[i]
            a = a0 + d * (a1 + d * (a2 + d * (a3 + d * a4)))
            b = b0 + d * (b1 + d * (b2 + d * (b3 + d * b4)))
            left_sums[i] += a * x[i] + b * x[i + 1]
            right_sums[i] += a * y[i] + b * y[i + 1]


@compiled
def _add_channel(
    samples: NDArray[Any], rows: NDArray[Any], moved: NDArray[Any], sums: NDArray[Any]
) -> None:
    """Add to the sums the products with polynomials of order 2, two taps at a time."""
    count = moved.shape[0]
    for k in range(0, rows.shape[1], 2):
        a0, a1, a2 = rows[0, k], rows[1, k], rows[2, k]
        b0, b1, b2 = rows[0, k + 1], rows[1, k + 1], rows[2, k + 1]
        x = samples[k : k + count + 1]
        for i in range(count):
            d = moved[i]
            sums[i] += (a0 + d * (a1 + d * a2)) * x[i] + (b0 + d * (b1 + d * b2)) * x[i + 1]
