"""A feed-forward compressor with linked channels.

Gain computer with a soft knee in the log domain, then the smooth decoupled peak detector:
Giannoulis, Massberg and Reiss, "Digital Dynamic Range Compressor Design", J. Audio Eng. Soc. 60(6),
2012, equations 4 and 17 (numbers from memory). Where nothing reaches the knee the sound passes bit
for bit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from itertools import tee

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples
from assembler.dsp.compiled import compiled
from assembler.dsp.compressor_settings import CompressorSettings
from assembler.dsp.equaliser import FilterBand, equalise
from assembler.dsp.limiter import GainReduction, with_gain_reduction

_SILENCE = 1e-10
_IDLE_DB = 1e-4


@compiled
def _smooth(demand: GainReduction, attack: float, release: float, levels: GainReduction) -> None:
    """Smooth the demand in place; levels: the released and the smoothed value so far."""
    released, level = levels[0], levels[1]
    for i in range(demand.shape[0]):
        target = demand[i]
        released = max(target, target + (released - target) * release)
        level = released + (level - released) * attack
        if target == 0.0 and released < _IDLE_DB and level < _IDLE_DB:
            released = 0.0
            level = 0.0
        demand[i] = level
    levels[0], levels[1] = released, level


def compress(
    blocks: Iterable[Samples],
    settings: CompressorSettings,
    rate_hz: int,
    log: Callable[[GainReduction], None] | None = None,
) -> Iterator[Samples]:
    """Compress a stream; at ratio 1, and below the knee, it is unchanged.

    Parameters
    ----------
    blocks
        Stereo blocks; both channels get the same gain.
    settings
        The compressor's settings.
    rate_hz
        Sample rate.
    log
        Gets the gain reduction of each block, that of the mix.
    """
    detector, mix = Detector(settings, rate_hz), np.float32(settings.mix)
    bands = [FilterBand("high_pass", settings.sidechain_hz)] if settings.sidechain_hz else []
    sound, sidechain = tee(block for block in blocks if len(block))
    for block, heard in zip(sound, equalise(sidechain, bands, rate_hz), strict=True):
        reduction = detector.smooth(demand_db(np.abs(heard).max(axis=1), settings))
        if log:
            log(_mixed_db(reduction, settings.mix))
        compressed = with_gain_reduction(block, reduction)
        if compressed is block or mix == 1:
            yield compressed
        else:
            yield block + mix * (compressed - block)


class Detector:
    """The smooth decoupled peak detector, on the gain reduction that the static curve asks for.

    Parameters
    ----------
    settings
        Attack and release.
    rate_hz
        Sample rate.
    """

    def __init__(self, settings: CompressorSettings, rate_hz: int) -> None:
        release_s = _own_release_s(settings.attack_s, settings.release_s)
        self._attack = _coefficient(settings.attack_s, rate_hz)
        self._release = _coefficient(release_s, rate_hz)
        self._levels = np.zeros(2)

    def smooth(self, demand: GainReduction) -> GainReduction:
        """Smooth the demand of the next samples in place, and return it."""
        if demand.any() or self._levels.any():
            _smooth(demand, self._attack, self._release, self._levels)
        return demand


def _mixed_db(reduction: GainReduction, mix: float) -> GainReduction:
    if mix == 1 or not reduction.any():
        return reduction
    mixed_db: GainReduction = -20 * np.log10(1 - mix + mix * 10 ** (reduction / -20))
    return mixed_db


def demand_db(peaks: NDArray[np.floating], settings: CompressorSettings) -> GainReduction:
    """Return the gain reduction of the static curve for each peak, in dB (≥ 0)."""
    over = 20 * np.log10(np.maximum(peaks.astype(np.float64), _SILENCE)) - settings.threshold_db
    half = settings.knee_db / 2
    reduced = np.maximum(over, 0.0)
    if half:
        in_knee = np.abs(over) <= half
        reduced[in_knee] = (over[in_knee] + half) ** 2 / (2 * settings.knee_db)
    return reduced * (1 - 1 / settings.ratio)


def _coefficient(time_s: float, rate_hz: int) -> float:
    return math.exp(-1 / (time_s * rate_hz)) if time_s > 0 else 0.0


def _own_release_s(attack_s: float, release_s: float) -> float:
    """Return the release of the first stage with which both together take `release_s`.

    The attack's stage follows the release's, and lengthens it (section 2.3 of the paper).
    """
    low, high = 0.0, release_s
    for _ in range(60):
        own = (low + high) / 2
        if _left_after(release_s, own, attack_s) > math.exp(-1):
            high = own
        else:
            low = own
    return low


def _left_after(time_s: float, one_s: float, other_s: float) -> float:
    """Return what two stages in series have left of a step down after a time."""
    one, other = (t * math.exp(-time_s / t) if t > 0 else 0.0 for t in (one_s, other_s))
    if math.isclose(one_s, other_s, rel_tol=1e-9):
        return (1 + time_s / one_s) * math.exp(-time_s / one_s)
    return (one - other) / (one_s - other_s)
