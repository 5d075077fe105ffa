"""Measure finished files with independent meters.

Loudness by pyloudnorm's filters (its class "DeMan" gives the K-weighting of ITU-R BS.1770 at any
rate), gated as in BS.1770-5, part 1; true peak by 16-times oversampling with soxr, in float64. A
file is read in blocks, so that memory does not grow with its length. Only `--second-meter` needs
pyloudnorm and scipy, which take long to import.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray

from assembler.cancel import check_cancelled
from assembler.dsp.decibels import decibels

TOLERANCE_LU, TOLERANCE_DB = 0.1, 0.1
"""How far two meters may differ."""
_OVERSAMPLING = 16
_BLOCK_FRAMES = 1 << 16
_HOPS_PER_SECOND, _HOPS_PER_BLOCK = 10, 4
_ABSOLUTE_LUFS, _RELATIVE_LU, _OFFSET_LU = -70.0, -10.0, -0.691

Values = NDArray[np.float64]


@dataclass(frozen=True)
class SecondReading:
    """One sound, measured by both meters.

    Attributes
    ----------
    name
        The file, or the track of an image.
    ours_lufs, ours_dbtp
        By the meter that the release was made with; None for silence.
    theirs_lufs, theirs_dbtp
        By pyloudnorm and soxr.
    """

    name: str
    ours_lufs: float | None
    ours_dbtp: float | None
    theirs_lufs: float | None
    theirs_dbtp: float | None

    @property
    def agrees(self) -> bool:
        """Whether loudness and peak match within 0.1 LU and 0.1 dB."""
        pairs = (
            (self.ours_lufs, self.theirs_lufs, TOLERANCE_LU),
            (self.ours_dbtp, self.theirs_dbtp, TOLERANCE_DB),
        )
        return all(near(*pair) for pair in pairs)

    def as_json(self) -> dict[str, Any]:
        """Return the reading as plain data for ``--json``."""
        return {
            "path": self.name,
            "integrated_lufs": self.ours_lufs,
            "true_peak_dbtp": self.ours_dbtp,
            "pyloudnorm_lufs": self.theirs_lufs,
            "soxr_16_dbtp": self.theirs_dbtp,
            "agrees": self.agrees,
        }


def near(ours: float | None, theirs: float | None, most: float) -> bool:
    """Return whether two levels differ by no more than a tolerance, or both are silence."""
    if ours is None or theirs is None:
        return ours is theirs
    return abs(ours - theirs) <= most


def second_reading(
    blocks: Iterable[NDArray[Any]], rate_hz: int
) -> tuple[float | None, float | None]:
    """Measure stereo sound with pyloudnorm and soxr.

    Parameters
    ----------
    blocks
        Samples, shape (frames, 2).
    rate_hz
        Their rate.

    Returns
    -------
    integrated_lufs, true_peak_dbtp
        None for silence; a loudness of None for less than 0.4 s.
    """
    loudness, peak = _Loudness(rate_hz), _Peak(rate_hz)
    for block in _cut(blocks):
        check_cancelled()
        loudness.feed(block)
        peak.feed(block)
    return loudness.integrated_lufs(), peak.true_peak_dbtp()


def _cut(blocks: Iterable[NDArray[Any]]) -> Iterator[Values]:
    for block in blocks:
        for first in range(0, len(block), _BLOCK_FRAMES):
            yield block[first : first + _BLOCK_FRAMES].astype(np.float64)


class _Loudness:
    """Integrated loudness, from the energies of steps of 0.1 s."""

    def __init__(self, rate_hz: int) -> None:
        from pyloudnorm import Meter

        stages = Meter(rate_hz, filter_class="DeMan")._filters.values()
        self._stages = [(stage.passband_gain * stage.b, stage.a) for stage in stages]
        self._states = [np.zeros((max(len(b), len(a)) - 1, 2)) for b, a in self._stages]
        self._rate_hz = rate_hz
        self._held = np.zeros(0)
        self._hops: list[float] = []
        self._position = 0

    def feed(self, block: Values) -> None:
        from scipy.signal import lfilter

        weighted = block
        for number, (b, a) in enumerate(self._stages):
            state = self._states[number]
            weighted, self._states[number] = lfilter(b, a, weighted, axis=0, zi=state)
        self._held = np.concatenate((self._held, (weighted * weighted).sum(axis=1)))
        while len(self._held) >= (size := self._next_hop()):
            self._hops.append(float(self._held[:size].sum()))
            self._held = self._held[size:]
            self._position += size

    def _next_hop(self) -> int:
        end = (len(self._hops) + 1) * self._rate_hz // _HOPS_PER_SECOND
        return end - self._position

    def integrated_lufs(self) -> float | None:
        hops = np.array(self._hops)
        if len(hops) < _HOPS_PER_BLOCK:
            return None
        sums = np.convolve(hops, np.ones(_HOPS_PER_BLOCK), "valid")
        powers = sums * _HOPS_PER_SECOND / (_HOPS_PER_BLOCK * self._rate_hz)
        gated = powers[powers > _power(_ABSOLUTE_LUFS)]
        if not len(gated):
            return None
        loud = gated[gated > gated.mean() * 10 ** (_RELATIVE_LU / 10)]
        return _OFFSET_LU + 10 * float(np.log10(loud.mean()))


def _power(lufs: float) -> float:
    return float(10 ** ((lufs - _OFFSET_LU) / 10))


class _Peak:
    """True peak."""

    def __init__(self, rate_hz: int) -> None:
        rates = (rate_hz, _OVERSAMPLING * rate_hz)
        self._stream = soxr.ResampleStream(*rates, 2, dtype="float64", quality="VHQ")
        self._highest = 0.0

    def feed(self, block: Values) -> None:
        self._add(self._stream.resample_chunk(block))

    def _add(self, oversampled: Values) -> None:
        self._highest = max(self._highest, float(np.abs(oversampled).max(initial=0.0)))

    def true_peak_dbtp(self) -> float | None:
        self._add(self._stream.resample_chunk(np.zeros((0, 2)), last=True))
        return decibels(self._highest)
