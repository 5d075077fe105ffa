"""Remove hum: subtract sines that follow its harmonics in level, phase and pitch."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.blocks import Samples, cut
from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.hum_pitch import HumStretch
from assembler.restoration.analysis.hum_tracking import (
    HumHarmonics,
    HumTracker,
    Phasors,
    trackable_harmonics,
)
from assembler.restoration.analysis.low_band import Interpolator


def dehum(
    blocks: Iterable[Samples],
    rate_hz: int,
    harmonics: int,
    stretches: Sequence[HumStretch],
    begin: int = 0,
) -> Iterator[Samples]:
    """Subtract the hum from a stereo stream; it keeps its length.

    Parameters
    ----------
    blocks, rate_hz
        The stream, shape (frames, 2), and its sample rate.
    harmonics
        Number of harmonics, from the first; those above 800 Hz are not removed.
    stretches
        Where the hum is on the side, and its pitch; all else passes bit for bit.
    begin
        Sample of the side with which the stream begins.
    """
    times = [at_s for s in stretches for at_s in (s.start_s, s.end_s) if at_s is not None]
    edges = [round(at_s * rate_hz) - begin for at_s in times]
    for part, pieces in groupby(cut(blocks, edges), key=itemgetter(0)):
        sound = map(itemgetter(1), pieces)
        if part % 2 == 0:
            yield from sound
        else:
            begins_s = max(0, -edges[part - 1]) / rate_hz
            yield from _dehum(sound, rate_hz, harmonics, stretches[part // 2], begins_s)


def _dehum(
    blocks: Iterable[Samples], rate_hz: int, harmonics: int, stretch: HumStretch, begins_s: float
) -> Iterator[Samples]:
    """Subtract hum that sounds from the first sample of a stream to its last."""
    numbers = trackable_harmonics(rate_hz, max(stretch.mains_hz), harmonics)
    if not len(numbers):
        yield from blocks
        return
    tracker = HumTracker(rate_hz, stretch, begins_s, numbers)
    synthesis = _HumSynthesis(tracker.harmonics)
    hum = Interpolator(rate_hz)
    waiting: deque[Samples] = deque()
    for block in blocks:
        waiting.append(block)
        for phasors in tracker.feed(block):
            hum.feed(synthesis.feed(phasors))
        yield from _subtracted(waiting, hum)
    for phasors in tracker.finish():
        hum.feed(synthesis.feed(phasors))
    hum.feed(synthesis.finish())
    yield from _subtracted(waiting, hum)
    yield from waiting


def _subtracted(waiting: deque[Samples], hum: Interpolator) -> Iterator[Samples]:
    """Remove the blocks of a queue for which there is hum, and yield them without it."""
    while waiting and (frames := min(hum.ready, len(waiting[0]))):
        block = waiting.popleft()
        if frames < len(block):
            waiting.appendleft(block[frames:])
        yield hum.subtract(block[:frames])


class _HumSynthesis:
    """Hum at the low rate, from the phasors of its harmonics at each hop."""

    def __init__(self, harmonics: HumHarmonics) -> None:
        self._harmonics = harmonics
        self._ages = np.arange(harmonics.hop_samples).astype(np.float64)
        self._waves = _parts(harmonics.waves(0, self._ages))
        self._hops = 0
        self._previous: Phasors | None = None
        self._turn = np.ones((len(harmonics.numbers), 2), np.complex128)

    def feed(self, phasors: Phasors) -> Samples:
        """Add the phasors of the next hop and return the samples before it."""
        previous, self._previous = self._previous, phasors
        self._hops += 1
        if previous is None:
            return np.zeros((0, 2), np.float32)
        self._turn = np.exp(1j * np.angle(phasors * previous.conj()))
        return self._hop_samples(self._hops - 2, previous, phasors)

    def finish(self) -> Samples:
        """Return the last samples: the harmonics go on as they are for one more hop."""
        if self._previous is None:
            return np.zeros((0, 2), np.float32)
        last = self._hop_samples(self._hops - 1, self._previous, self._previous * self._turn)
        return np.concatenate((last, np.zeros_like(last)))

    def _hop_samples(self, hop: int, begin: Phasors, end: Phasors) -> Samples:
        """Return the sum of the harmonics from a hop to the next."""
        if not self._harmonics.stretch.is_steady:
            self._waves = _parts(self._harmonics.waves(hop, self._ages))
        points = np.stack((begin, _arc_middle(begin, end), end)) * self._harmonics.carrier(hop)
        sums = np.zeros((2, len(self._ages)))
        _add_waves(sums, points, self._waves)
        return np.ascontiguousarray(sums.T, np.float32)


def _parts(waves: Phasors) -> NDArray[np.float64]:
    """Return the real and the imaginary part of each harmonic, shape (harmonics, 2, samples)."""
    return np.stack((waves.real, waves.imag), axis=1)


@compiled
def _add_waves(sums: NDArray[Any], points: NDArray[Any], waves: NDArray[Any]) -> None:
    """Add waves whose phasors go straight from the first point to the middle one and to the last.

    sums: (2, samples); points: (3, harmonics, 2); waves: (harmonics, 2, samples).
    """
    count = sums.shape[1]
    half = (count + 1) // 2
    for k in range(waves.shape[0]):
        for c in range(2):
            for part in range(2):
                begin = part * half
                out = sums[c, begin : begin + half]
                real, imaginary = waves[k, 0, begin:], waves[k, 1, begin:]
                a, b = points[part, k, c], points[part + 1, k, c]
                step = (b - a) * (2 / count)
                a += step * (begin - part * count / 2)
                for i in range(out.shape[0]):
                    out[i] += (a.real + i * step.real) * real[i]
                    out[i] -= (a.imag + i * step.imag) * imaginary[i]


def _arc_middle(begin: Phasors, end: Phasors) -> Phasors:
    """Return the phasors halfway along the shorter arc; halfway along the chord is too small."""
    half_turn = np.exp(0.5j * np.angle(end * begin.conj()))
    sizes = (np.abs(begin) + np.abs(end)) / 2
    middle: Phasors = sizes * np.exp(1j * np.angle(begin)) * half_turn
    return middle
