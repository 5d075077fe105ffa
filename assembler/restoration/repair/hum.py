"""Remove hum: subtract sines that follow its harmonics in level, phase and pitch."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from operator import itemgetter

import numpy as np

from assembler.dsp.blocks import Samples, cut
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
    synthesis = _HumSynthesis(rate_hz, tracker.harmonics)
    waiting: deque[Samples] = deque()
    for block in blocks:
        waiting.append(block)
        yield from _subtracted(waiting, synthesis.feed(tracker.feed(block)))
    for phasors in tracker.finish():  # one hop at a time: half a minute of them is 25 MB
        yield from _subtracted(waiting, synthesis.feed([phasors]))
    yield from _subtracted(waiting, synthesis.finish())
    yield from waiting


def _subtracted(waiting: deque[Samples], hum: Samples) -> Iterator[Samples]:
    """Remove as many samples as the hum has from a queue of blocks, and yield them without it."""
    while waiting and len(hum):
        block = waiting.popleft()
        frames = min(len(block), len(hum))
        yield block[:frames] - hum[:frames]
        hum = hum[frames:]
        if frames < len(block):
            waiting.appendleft(block[frames:])


class _HumSynthesis:
    """Hum as a stream of samples, from the phasors of its harmonics at each hop."""

    def __init__(self, rate_hz: int, harmonics: HumHarmonics) -> None:
        self._harmonics = harmonics
        self._interpolator = Interpolator(rate_hz)
        hop = harmonics.hop_samples
        self._ages = np.arange(hop).astype(np.float64)
        self._waves = harmonics.waves(0, self._ages)
        share = np.arange(hop) / hop
        tents = (
            np.maximum(0, 1 - 2 * share),
            1 - np.abs(2 * share - 1),
            np.maximum(0, 2 * share - 1),
        )
        self._tents = np.stack(tents)[:, None, :]
        self._hops = 0
        self._previous: Phasors | None = None
        self._turn = np.ones((len(harmonics.numbers), 2), np.complex128)

    def feed(self, hops: Sequence[Phasors]) -> Samples:
        """Add the phasors of the next hops and return the samples that are complete."""
        pieces = []
        for phasors in hops:
            if self._previous is not None:
                pieces.append(self._hop_samples(self._previous, phasors))
                self._turn = np.exp(1j * np.angle(phasors * self._previous.conj()))
            self._previous = phasors
            self._hops += 1
        return self._raised(pieces)

    def finish(self) -> Samples:
        """Return the last samples: the harmonics go on as they are for one more hop."""
        if self._previous is None:
            return self._raised([])
        last = self._hop_samples(self._previous, self._previous * self._turn)
        return self._raised([last, np.zeros((self._harmonics.hop_samples, 2), np.float32)])

    def _raised(self, pieces: Sequence[Samples]) -> Samples:
        if not pieces:
            return np.zeros((0, 2), np.float32)
        return self._interpolator.feed(np.concatenate(pieces))

    def _hop_samples(self, begin: Phasors, end: Phasors) -> Samples:
        """Return the sum of the harmonics from the last hop to the next, at the low rate."""
        hop = self._hops - 1
        if not self._harmonics.stretch.is_steady:
            self._waves = self._harmonics.waves(hop, self._ages)
        waves = self._harmonics.carrier(hop) * self._waves
        points = np.concatenate((begin, _arc_middle(begin, end), end), axis=1).T
        sums = points.real @ waves.real - points.imag @ waves.imag
        hum = (sums.reshape(3, 2, -1) * self._tents).sum(axis=0)
        return np.ascontiguousarray(hum.T, np.float32)


def _arc_middle(begin: Phasors, end: Phasors) -> Phasors:
    """Return the phasors halfway along the shorter arc; halfway along the chord is too small."""
    half_turn = np.exp(0.5j * np.angle(end * begin.conj()))
    sizes = (np.abs(begin) + np.abs(end)) / 2
    middle: Phasors = sizes * np.exp(1j * np.angle(begin)) * half_turn
    return middle
