"""Correct the interchannel delay of an azimuth error by a fractional delay of one channel.

A tilted head reads one channel late; the early one is delayed by as much. Where the delay is
followed, the filter changes with it at each sample.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.fir import add_filtered
from assembler.dsp.varying_delay import CHANNEL_ORDER, read_channel, sinc_taps, tap_polynomials
from assembler.restoration.analysis.stereo.delay_path import PATH_STEP_S

_HALF_TAPS, _KAISER_BETA = 40, 9.0
_HALF_TAPS_ABOVE_64_KHZ, _KAISER_BETA_ABOVE_64_KHZ = 20, 10.0
"""Errors below −85 dB up to 20 kHz at 44.1 kHz, below −90 dB up to 40 kHz at 96 kHz."""
_WHOLE_TOLERANCE = 1e-6
_BLOCK = 4096
"""Samples per pass of the filter, so that their sums stay in the processor's cache."""
_HOP = 64
"""Samples from one delay of a path to the next, between which delays are on a line."""
_GROUP, _MOST_MOVED = 512, 0.02
"""Samples that are filtered at once, or fewer, so that their delays differ by no more than that:
then taps are exact to −104 dB up to 20 kHz at 44.1 kHz, −109 dB up to 36 kHz at 96 kHz."""


def _filter_at(rate_hz: int) -> tuple[int, float]:
    """Return half of the number of taps, and the window's beta."""
    if rate_hz < 64_000:
        return _HALF_TAPS, _KAISER_BETA
    return _HALF_TAPS_ABOVE_64_KHZ, _KAISER_BETA_ABOVE_64_KHZ


@compiled
def _filter(padded: NDArray[Any], taps: NDArray[Any], out: NDArray[Any]) -> None:
    """Fill out[i], zeros, with the sum of taps[k] * padded[i + k]."""
    for begin in range(0, out.shape[0], _BLOCK):
        add_filtered(out[begin : begin + _BLOCK], padded[begin:], taps)


def align_channels(blocks: Iterable[Samples], rate_hz: int, delay_us: float) -> Iterator[Samples]:
    """Delay the channel that is early: it begins with silence, and its last samples are lost.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    delay_us
        Delay of right re left in microseconds; negative if left is late.
    """
    delay = abs(delay_us) * 1e-6 * rate_hz
    if not delay:
        yield from blocks
        return
    early = 0 if delay_us > 0 else 1
    if abs(delay - round(delay)) < _WHOLE_TOLERANCE:
        delay = float(round(delay))
    whole, half, beta = int(np.ceil(delay)), *_filter_at(rate_hz)
    (taps,) = sinc_taps(np.array([whole - delay]), half, beta)
    neighbours = Neighbours(whole + half - 1, half - 1, 2)
    for block in blocks:
        yield _delayed(neighbours.feed(block), early, neighbours, taps)
    yield _delayed(neighbours.finish(), early, neighbours, taps)


def _delayed(
    padded: Samples, early: int, neighbours: Neighbours, taps: NDArray[np.float64]
) -> Samples:
    """Delay one channel of the samples that are complete with their neighbours."""
    frames = len(padded) - neighbours.before - neighbours.after
    delayed = padded[neighbours.before : neighbours.before + frames].copy()
    sums = np.zeros(frames)
    _filter(padded[: frames + len(taps), early].astype(np.float64), taps, sums)
    delayed[:, early] = sums
    return delayed


def follow_delay(
    blocks: Iterable[Samples], rate_hz: int, delays_us: Sequence[float], start: int
) -> Iterator[Samples]:
    """Delay the channel that is early, each moment by the delay there.

    A channel passes bit for bit wherever it is not the early one.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    delays_us
        Delay of right re left in microseconds, negative if left is late: one per `PATH_STEP_S`
        from the start of the side; the last one holds to its end.
    start
        Position of the stream in the side, in samples.
    """
    path = np.asarray(delays_us) * 1e-6 * rate_hz
    places = np.arange(len(path)) * PATH_STEP_S * rate_hz
    most, half, beta = int(np.ceil(np.abs(path).max())), *_filter_at(rate_hz)
    group, slope = _GROUP, np.abs(np.diff(path) / np.diff(places)).max(initial=0)
    while group > _HOP and group * slope > _MOST_MOVED:
        group //= 2
    taps_at = partial(sinc_taps, half=half, beta=beta)
    coefficients = tap_polynomials(taps_at, CHANNEL_ORDER, group * slope)
    neighbours = Neighbours(most + half + group, half + group, 2)
    for padded in _all_padded(blocks, neighbours):
        frames, inside = len(padded) - neighbours.before - neighbours.after, start % group
        groups, begin = -(-(inside + frames) // group), neighbours.before - inside
        out = padded[begin : begin + groups * group].copy()
        hops = (start - inside) // _HOP + np.arange(groups * group // _HOP + 1)
        delays = np.interp(hops * _HOP, places, path)
        for channel, sign in ((0, 1), (1, -1)):
            own = np.maximum(sign * delays, 0.0)
            if own.any():
                samples, read = padded[:, channel], out[:, channel]
                read_channel(samples, begin, -own, _HOP, group, coefficients, read)
        start += frames
        yield out[inside : inside + frames]


def _all_padded(blocks: Iterable[Samples], neighbours: Neighbours) -> Iterator[Samples]:
    for block in blocks:
        yield neighbours.feed(block)
    yield neighbours.finish()
