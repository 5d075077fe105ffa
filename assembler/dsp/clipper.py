"""An oversampled soft clipper, of which only the difference is taken off the sound.

A curve that begins at a threshold has harmonics of every order, and a high tone's alias at any
factor. So here the curve is a power of the wave, of odd order up to 13, and what it makes stays
below the fold of eight times the rate; order 7 needs four times, order 3 twice. J. Kahles, F.
Esqueda and V. Välimäki, "Oversampling for Nonlinear Waveshaping: Choosing the Right Filters", J.
Audio Eng. Soc. 67(6), 2019 (from memory).

Two slow gains, from the level that the limiter's detector finds, keep it within bounds: the wave
that drives the curve is held at its end, and what is taken off is faded in between 2 D below the
ceiling and the ceiling, so that sound that stays below passes bit for bit. A clipper of D dB takes
D off a peak that is D over the ceiling, which so comes out at it, and D off higher ones: the rest
is the limiter's. Peaks of a few samples lose less: what is taken off ends below half the rate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.decibels import amplitude
from assembler.dsp.fir import add_filtered
from assembler.dsp.limiter import GainReduction, limit
from assembler.dsp.true_peak import HALF_TAPS, interpolators

FADE_IN_RATIO = 2.0
"""How far below the ceiling it begins, in depths."""
_FACTORS = {3: 2, 7: 4, 13: 8}
"""Oversampling of each order: twice the factor is more than the order, so nothing folds."""
_STEEPEST = 0.9
"""The curve falls behind the wave by at most this slope: so louder never comes out softer."""
_REACH = 2 * HALF_TAPS
"""Neighbours that a sample needs: the filter is passed up and down."""
_PART = 4096
_RELEASED = 0.1
"""Share of the fade-in at which it is idle, so that it is soon again after a peak."""
_TINY = np.float32(1e-5)
"""Square of a wave whose power is nothing; loops are slow on what is nearly nothing."""

Floats = NDArray[np.float64]


class Clipper(NamedTuple):
    """How a clipper is set, and where.

    Attributes
    ----------
    ceiling_dbtp
        Level that a peak comes out at which exceeds it by the depth.
    depth_db
        Maximum gain reduction of a peak.
    places
        Samples in ascending order.
    weights
        Share of it at each of them, 0 to 1; between them it is interpolated.
    """

    ceiling_dbtp: float
    depth_db: float
    places: tuple[int, ...] = (0,)
    weights: tuple[float, ...] = (1.0,)

    @property
    def end(self) -> float:
        """Amplitude from which a peak is reduced by the depth."""
        return amplitude(self.ceiling_dbtp + self.depth_db)

    @property
    def most(self) -> float:
        """Share of the wave that its depth is."""
        return 1 - amplitude(-self.depth_db)

    @property
    def order(self) -> int:
        """Order of the curve: odd, the higher the later it begins."""
        return max(order for order in _FACTORS if order == 3 or order * self.most <= _STEEPEST)


Log = Callable[[Samples, Samples, GainReduction], None]
"""Gets each clipped block, what was taken off it, and the gain reduction of each sample in dB."""


def clip(
    blocks: Iterable[Samples], rate_hz: int, clipper: Clipper, log: Log | None = None
) -> Iterator[Samples]:
    """Clip a stream softly; where it stays 2 × depth below the ceiling it is unchanged.

    Parameters
    ----------
    blocks
        Stereo or mono blocks, shape (frames, channels); each channel is clipped by itself.
    rate_hz
        Sample rate.
    clipper
        Its settings.
    log
        Receives what it did.
    """
    curve, position = _Curve(clipper), 0
    for padded in _driven(blocks, rate_hz, clipper):
        length, channels = len(padded) - 2 * _REACH, padded.shape[1] // 2
        block = np.ascontiguousarray(padded[_REACH : _REACH + length, :channels], np.float32)
        level_db = padded[_REACH : _REACH + length, -1].astype(np.float64)
        places = np.arange(position, position + length)
        weight = np.interp(places, clipper.places, clipper.weights) * _faded_in(level_db, clipper)
        position += length
        taken, share = curve.taken(padded, weight)
        taken /= _held(level_db, clipper)[:, None].astype(np.float32)
        if taken.any():
            block = block - taken
        if log:
            log(block, taken, -20 * np.log10(1 - share))
        yield block


def _driven(blocks: Iterable[Samples], rate_hz: int, clipper: Clipper) -> Iterator[Samples]:
    """Yield samples with their neighbours: their channels, what drives the curve, and the level.

    The level is in dB above the one at which the clipper begins. What drives the curve is the
    sound in units of the curve's end, held there where it is louder.
    """
    waiting: list[Samples] = []

    def kept() -> Iterator[Samples]:
        for block in blocks:
            waiting.append(block)
            yield block

    neighbours: Neighbours | None = None
    begins_dbtp = clipper.ceiling_dbtp - FADE_IN_RATIO * clipper.depth_db
    for _, level_db in limit(kept(), rate_hz, begins_dbtp):
        block = np.concatenate(waiting)
        block, waiting[:] = block[: len(level_db)], [block[len(level_db) :]]
        drive = block * (_held(level_db, clipper) / clipper.end)[:, None]
        if neighbours is None:
            neighbours = Neighbours(_REACH, _REACH, 2 * block.shape[1] + 1)
        columns = (block, drive, level_db[:, None])
        yield neighbours.feed(np.concatenate(columns, axis=1).astype(np.float32))
    if neighbours is not None:
        yield neighbours.finish()


def _held(level_db: Floats, clipper: Clipper) -> Floats:
    """Return the gain that holds the wave at the curve's end."""
    over_db = np.maximum(level_db - (1 + FADE_IN_RATIO) * clipper.depth_db, 0.0)
    held: Floats = 10 ** (over_db / -20)
    return held


def _faded_in(level_db: Floats, clipper: Clipper) -> Floats:
    """Return the share of the clipper at each level: a smooth step up to the ceiling."""
    width_db = FADE_IN_RATIO * clipper.depth_db
    u = np.clip((level_db / width_db - _RELEASED) / (1 - _RELEASED), 0.0, 1.0)
    return u * u * (3 - 2 * u)


class _Curve:
    """What is taken off the sound, and the filters around it."""

    def __init__(self, clipper: Clipper) -> None:
        self._clipper = clipper
        factor = _FACTORS[clipper.order]
        self._up = interpolators(factor)
        self._down = np.ascontiguousarray(self._up[:, ::-1]) / np.float32(factor)

    def taken(self, padded: Samples, weight: Floats) -> tuple[Samples, Floats]:
        """Return what is taken off the samples, and its share of what drives the curve."""
        channels = padded.shape[1] // 2
        taken = np.zeros((len(weight), channels), np.float32)
        share = np.zeros(len(weight))
        for first, last in _runs(weight):
            own, around = slice(first, last), slice(first, last + 2 * _REACH)
            for c in range(channels):
                drive = np.ascontiguousarray(padded[around, channels + c])
                change, loudest = self._change(drive)
                taken[own, c] = self._clipper.end * weight[own] * change
                share[own] = np.maximum(share[own], loudest ** (self._clipper.order - 1))
        return taken, self._clipper.most * share * weight

    def _change(self, drive: Samples) -> tuple[Samples, Samples]:
        """Return the curve's low-passed change of samples, and the top of the wave at each."""
        count = len(drive) - 2 * _REACH
        wave = np.zeros((len(self._up), count + _REACH), np.float32)
        change = np.zeros(count, np.float32)
        for p in range(len(self._up)):
            add_filtered(wave[p], drive[1 : len(drive)], self._up[p])
        loudest = np.abs(wave[:, HALF_TAPS : HALF_TAPS + count]).max(axis=0)
        square = wave * wave
        square[square < _TINY] = 0
        wave *= np.float32(self._clipper.most)
        for _ in range(self._clipper.order // 2):
            wave *= square
        for p in range(len(self._up)):
            add_filtered(change, wave[p], self._down[p])
        return change, loudest


def _runs(weight: Floats) -> Iterator[tuple[int, int]]:
    """Yield the stretches in which there is any weight, in parts that a core's cache can hold."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], weight > 0, [False])).astype(np.int8)))
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        for first in range(start, end, _PART):
            yield first, min(first + _PART, end)
