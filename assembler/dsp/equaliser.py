"""Equaliser bands, by the "Audio EQ Cookbook" (W3C Working Group Note, 2021).

A band filters both channels, or the mid (L + R) / 2 or the side (L − R) / 2 alone. Where one of the
two has no band, it comes out bit-equal from sound of up to 24 bits within full scale: the other
is rounded to 2⁻²⁴, so that sum and difference are exact in single precision.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compressor_settings import CompressorSettings

BUTTERWORTH_Q = math.sqrt(0.5)
_TWO_STAGES_Q = (0.5411961001461969, 1.3065629648763766)
"""Q of both stages of a fourth-order Butterworth filter: 1 / (2 cos(π/8)), 1 / (2 cos(3π/8))."""
_GRID = 2.0**24


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
    on
        What it filters.
    dynamic
        Threshold, ratio, knee and times of a band whose gain follows its level; None for a band
        whose gain stays.
    """

    shape: Literal["high_pass", "low_pass", "low_shelf", "high_shelf", "bell", "notch"]
    hz: float
    db: float = 0.0
    q: float | None = None
    slope: int = 12
    on: Literal["stereo", "mid", "side"] = "stereo"
    dynamic: CompressorSettings | None = None


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
    default = default_q(band.shape)
    qualities: Sequence[float] = [band.q or default]
    if band.slope == 24:
        qualities = [q * (band.q or default) / default for q in _TWO_STAGES_Q]
    return np.array([_section(band, q, rate_hz) for q in qualities])


def default_q(shape: str) -> float:
    """Return the Q of a band that names none."""
    return {"bell": 1.0, "notch": 10.0}.get(shape, BUTTERWORTH_Q)


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


def response_db(
    bands: Sequence[FilterBand], hz: NDArray[np.float64], rate_hz: int
) -> NDArray[np.float64]:
    """Return the gain of bands in series at each frequency, in dB."""
    z = np.exp(-2j * np.pi * hz / rate_hz)
    gain = np.ones(len(hz), complex)
    for b0, b1, b2, _, a1, a2 in (row for band in bands for row in sections(band, rate_hz)):
        gain *= (b0 + z * (b1 + z * b2)) / (1 + z * (a1 + z * a2))
    found: NDArray[np.float64] = 20 * np.log10(np.abs(gain))
    return found


def equalise(
    blocks: Iterable[Samples], bands: Sequence[FilterBand], rate_hz: int
) -> Iterator[Samples]:
    """Filter a stream through its bands, in float64; without bands it is unchanged.

    The blocks are stereo.
    """
    for is_dynamic, run in groupby(bands, lambda band: band.dynamic is not None):
        if is_dynamic:
            from assembler.dsp.dynamic_band import dynamic

            for band in run:
                blocks = dynamic(blocks, band, rate_hz)
        else:
            blocks = _filtered(blocks, list(run), rate_hz)
    return iter(blocks)


def _filtered(
    blocks: Iterable[Samples], bands: Sequence[FilterBand], rate_hz: int
) -> Iterator[Samples]:
    """Filter a stream through bands whose gain stays."""
    from assembler.dsp.biquads import StereoCascade

    of_mid, of_side = (
        [row for band in bands if band.on in ("stereo", part) for row in sections(band, rate_hz)]
        for part in ("mid", "side")
    )
    cascade = StereoCascade(of_mid, of_side)
    is_stereo = all(band.on == "stereo" for band in bands)
    for block in blocks:
        if not len(block):
            continue
        if is_stereo:
            yield cascade.filter(block)
            continue
        left, right = block.T.astype(np.float64)
        parts = np.stack(((left + right) / 2, (left - right) / 2), axis=1)
        mid, side = cascade.filter(parts).T
        mid = mid if of_side else on_grid(mid)
        side = side if of_mid else on_grid(side)
        yield np.stack((mid + side, mid - side), axis=1).astype(np.float32)


def on_grid(sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return sound rounded to steps of 2⁻²⁴."""
    rounded: NDArray[np.float64] = np.round(sound * _GRID) / _GRID
    return rounded
