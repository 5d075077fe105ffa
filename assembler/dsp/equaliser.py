"""Equaliser bands, by the "Audio EQ Cookbook" (W3C Working Group Note, 2021)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples

BUTTERWORTH_Q = math.sqrt(0.5)
_TWO_STAGES_Q = (0.5411961001461969, 1.3065629648763766)
"""Q of both stages of a fourth-order Butterworth filter: 1 / (2 cos(π/8)), 1 / (2 cos(3π/8))."""


class FilterBand(NamedTuple):
    """One band.

    Attributes
    ----------
    shape
        high_pass, low_pass, low_shelf, high_shelf, bell or notch.
    hz
        Corner or centre frequency.
    db
        Gain of a bell or shelf; 0 elsewhere.
    q
        Q; None for the default of the shape (Butterworth, 1 for a bell, 10 for a notch).
    slope
        12 or 24 dB per octave, for high_pass and low_pass.
    """

    shape: Literal["high_pass", "low_pass", "low_shelf", "high_shelf", "bell", "notch"]
    hz: float
    db: float = 0.0
    q: float | None = None
    slope: int = 12


def sections(band: FilterBand, rate_hz: int) -> NDArray[np.float64]:
    """Return the second-order sections of a band.

    Returns
    -------
    ndarray, shape (stages, 6)
        b0, b1, b2, 1, a1, a2, as for scipy.signal.sosfilt.

    Raises
    ------
    ValueError
        The frequency is not below half the rate.
    """
    if not 0 < band.hz < rate_hz / 2:
        raise ValueError(f"{band.hz:g} Hz is not below half of {rate_hz} Hz")
    default = {"bell": 1.0, "notch": 10.0}.get(band.shape, BUTTERWORTH_Q)
    qualities: Sequence[float] = [band.q or default]
    if band.slope == 24:
        qualities = [q * (band.q or default) / default for q in _TWO_STAGES_Q]
    return np.array([_section(band, q, rate_hz) for q in qualities])


def _section(band: FilterBand, q: float, rate_hz: int) -> list[float]:
    w0 = 2 * math.pi * band.hz / rate_hz
    cos, alpha = math.cos(w0), math.sin(w0) / (2 * q)
    a = 10 ** (band.db / 40)
    shelf = 2 * math.sqrt(a) * alpha
    b: tuple[float, float, float]
    d: tuple[float, float, float]
    match band.shape:
        case "low_pass":
            b = ((1 - cos) / 2, 1 - cos, (1 - cos) / 2)
            d = (1 + alpha, -2 * cos, 1 - alpha)
        case "high_pass":
            b = ((1 + cos) / 2, -(1 + cos), (1 + cos) / 2)
            d = (1 + alpha, -2 * cos, 1 - alpha)
        case "notch":
            b = (1, -2 * cos, 1)
            d = (1 + alpha, -2 * cos, 1 - alpha)
        case "bell":
            b = (1 + alpha * a, -2 * cos, 1 - alpha * a)
            d = (1 + alpha / a, -2 * cos, 1 - alpha / a)
        case "low_shelf":
            b = (
                a * ((a + 1) - (a - 1) * cos + shelf),
                2 * a * ((a - 1) - (a + 1) * cos),
                a * ((a + 1) - (a - 1) * cos - shelf),
            )
            d = (
                (a + 1) + (a - 1) * cos + shelf,
                -2 * ((a - 1) + (a + 1) * cos),
                (a + 1) + (a - 1) * cos - shelf,
            )
        case "high_shelf":
            b = (
                a * ((a + 1) + (a - 1) * cos + shelf),
                -2 * a * ((a - 1) + (a + 1) * cos),
                a * ((a + 1) + (a - 1) * cos - shelf),
            )
            d = (
                (a + 1) - (a - 1) * cos + shelf,
                2 * ((a - 1) - (a + 1) * cos),
                (a + 1) - (a - 1) * cos - shelf,
            )
    return [*(x / d[0] for x in b), 1.0, d[1] / d[0], d[2] / d[0]]


def equalise(
    blocks: Iterable[Samples], bands: Sequence[FilterBand], rate_hz: int
) -> Iterator[Samples]:
    """Filter a stream through its bands, in float64; without bands it is unchanged."""
    if not bands:
        yield from blocks
        return
    from scipy.signal import sosfilt

    cascade = np.concatenate([sections(band, rate_hz) for band in bands])
    memory: NDArray[np.float64] | None = None
    for block in blocks:
        if not len(block):
            continue
        if memory is None:
            memory = np.zeros((len(cascade), 2, block.shape[1]))
        filtered, memory = sosfilt(cascade, block.astype(np.float64), axis=0, zi=memory)
        yield filtered.astype(np.float32)
