"""A dynamic equaliser band: the level inside the band drives the band's gain.

V. Välimäki and J. D. Reiss, "All About Audio Equalization: Solutions and Frontiers", Applied
Sciences 6(5), 2016, on dynamic equalisers. The filter is that of P. A. Regalia and S. K. Mitra,
"Tunable Digital Frequency Response Equalization Filters", IEEE Trans. ASSP 35, 1987 (both from
memory): y = x + (K − 1) b, where b is the band alone, half the difference of x and an all-pass, and
K the gain. So the gain moves without a change of coefficients, one filter is both detector and
band, and while the band stays below its threshold the sound passes bit for bit. At its full depth a
bell is exactly the cookbook's; a shelf is of first order.

Gain computer and detector are those of the compressor.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.biquads import StereoCascade
from assembler.dsp.blocks import Samples
from assembler.dsp.compressor import Detector, demand_db
from assembler.dsp.equaliser import FilterBand, on_grid
from assembler.dsp.limiter import GainReduction, with_gain_reduction


def band_alone(band: FilterBand, rate_hz: int) -> NDArray[np.float64]:
    """Return the filter that passes a band alone, with a gain of 1 where it is strongest.

    Returns
    -------
    ndarray, shape (1, 6)
        b0, b1, b2, 1, a1, a2, as for scipy.signal.sosfilt.
    """
    a = 10 ** (band.db / 40)
    if band.shape == "bell":
        w0 = 2 * math.pi * band.hz / rate_hz
        alpha = math.sin(w0) / (2 * (band.q or 1.0) * a)
        b, d = (alpha, 0.0, -alpha), (1 + alpha, -2 * math.cos(w0), 1 - alpha)
    else:
        is_low = band.shape == "low_shelf"
        k = math.tan(math.pi * band.hz / rate_hz) * (1 / a if is_low else a)
        b = (k, k, 0.0) if is_low else (1.0, -1.0, 0.0)
        d = (1 + k, k - 1, 0.0)
    return np.array([[*(x / d[0] for x in b), 1.0, d[1] / d[0], d[2] / d[0]]])


def dynamic(
    blocks: Iterable[Samples],
    band: FilterBand,
    rate_hz: int,
    log: Callable[[GainReduction], None] | None = None,
) -> Iterator[Samples]:
    """Filter a stream through a dynamic band; below its threshold it is unchanged.

    Parameters
    ----------
    blocks
        Stereo blocks; both channels of a band on stereo get the same gain.
    band
        A bell or a shelf whose `db`, below 0, is its maximum gain reduction.
    rate_hz
        Sample rate.
    log
        Gets the band's gain reduction of each block.
    """
    settings = band.dynamic
    assert settings is not None
    detector = Detector(settings, rate_hz)
    alone = StereoCascade(band_alone(band, rate_hz))
    for block in blocks:
        if not len(block):
            continue
        inside = alone.filter(_part(block.astype(np.float64), band))
        demand = np.minimum(demand_db(np.abs(inside).max(axis=1), settings), -band.db)
        reduction = detector.smooth(demand)
        if log:
            log(reduction)
        lowered = with_gain_reduction(inside, reduction)
        yield block if lowered is inside else _changed(block, lowered - inside, band)


def _part(sound: NDArray[np.float64], band: FilterBand) -> NDArray[np.float64]:
    """Return what a band filters: both channels, or the mid or the side in both columns."""
    if band.on == "stereo":
        return sound
    sign = 1 if band.on == "mid" else -1
    return np.repeat((sound[:, :1] + sign * sound[:, 1:]) / 2, 2, axis=1)


def _changed(block: Samples, change: NDArray[np.float64], band: FilterBand) -> Samples:
    if band.on != "stereo":
        change = on_grid(change) * (1, 1 if band.on == "mid" else -1)
    return (block + change).astype(np.float32)
