"""What the clipper does to each track of a passage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from assembler.dsp.blocks import Samples, Windows
from assembler.dsp.clipper import Clipper, Log
from assembler.dsp.limiter import GainReduction
from assembler.dsp.masking import bands_above_masking, frame_size
from assembler.mastering.passage import RAMP_S, RenderedPassage

CHANGED_DB = 0.1
"""Gain reduction from which a sample counts as clipped."""


@dataclass(frozen=True)
class TrackClipping:
    """What the clipper did to a track."""

    most_db: float
    at_s: float
    """Maximum gain reduction, and its time from the start of the track."""
    samples: int
    share: float
    """Samples with more than `CHANGED_DB` in either channel, and their share of the track."""
    share_above_masking: float
    """Share of the critical bands, where it works, in which the distortion is above the masking
    threshold of the sound."""


def clippers_of(rendered: RenderedPassage, ceiling_dbtp: float) -> list[Clipper]:
    """Return a passage's clippers, one per depth; where the depth changes they are crossfaded."""
    depths = [section.track.clip for section in rendered.sections]
    ramp = max(1, round(RAMP_S * rendered.rate_hz))
    places = [0]
    for start, overlap in zip(rendered.parts, rendered.overlaps[1:], strict=False):
        places += [start, start + overlap] if overlap else [start - ramp, start + ramp]
    ordered = tuple(np.maximum.accumulate(places).tolist())
    ends = [depths[0], *(depth for pair in pairwise(depths) for depth in pair)]
    return [
        Clipper(ceiling_dbtp, one, ordered, tuple(float(depth == one) for depth in ends))
        for one in sorted({depth for depth in depths if depth})
    ]


class ClippingLog:
    """Collects what the clippers do to each track of a passage.

    Parameters
    ----------
    rendered
        The passage.
    """

    def __init__(self, rendered: RenderedPassage) -> None:
        self._depths = [section.track.clip for section in rendered.sections]
        self._logs = {
            depth: _ClipperLog(rendered.rate_hz, rendered.parts) for depth in self._depths if depth
        }

    def of(self, clipper: Clipper) -> Log:
        """Return what collects for one of the clippers."""
        return self._logs[clipper.depth_db].add

    def is_idle(self, i: int) -> bool:
        """Return whether no clipper changed a track, its own or its neighbour's."""
        return all(log.tracks()[i].most_db == 0 for log in self._logs.values())

    def tracks(self) -> list[TrackClipping | None]:
        """Return what each track's own clipper did; None without one."""
        return [self._logs[d].tracks()[i] if d else None for i, d in enumerate(self._depths)]


class _ClipperLog:
    """Collects what one clipper does to each track, block by block; ends: where each ends."""

    def __init__(self, rate_hz: int, ends: Sequence[int]) -> None:
        self._rate_hz = rate_hz
        self._starts = (0, *ends)
        self._position = 0
        count = len(ends)
        self._most = [(0.0, 0)] * count
        self._samples = [0] * count
        self._bands = [(0, 0)] * count
        size = frame_size(rate_hz)
        self._sound, self._taken = (Windows(size, size // 2) for _ in range(2))

    def add(self, block: Samples, taken: Samples, reduction: GainReduction) -> None:
        """Add the next clipped samples, what was taken off them, and their gain reduction."""
        position = self._position
        self._position += len(block)
        for i, (start, end) in enumerate(pairwise(self._starts)):
            part = reduction[max(start - position, 0) : max(end - position, 0)]
            if not part.any():
                continue
            peak = int(part.argmax())
            at = max(position - start, 0) + peak
            self._most[i] = max(self._most[i], (float(part[peak]), at), key=lambda one: one[0])
            self._samples[i] += int((part > CHANGED_DB).sum())
        frames = zip(self._sound.feed(block), self._taken.feed(taken), strict=True)
        for sound, off in frames:
            if off.any():
                self._add_frame(sound, off)

    def _add_frame(self, sound: Samples, taken: Samples) -> None:
        i = next(i for i, end in enumerate(self._starts[1:]) if self._sound.start < end)
        for c in range(sound.shape[1]):
            if taken[:, c].any():
                found = bands_above_masking(
                    sound[:, c].astype(np.float64), taken[:, c].astype(np.float64), self._rate_hz
                )
                above, count = self._bands[i]
                self._bands[i] = above + found[0], count + found[1]

    def tracks(self) -> list[TrackClipping]:
        """Return what was done to each track."""
        lengths = [b - a for a, b in pairwise(self._starts)]
        return [
            TrackClipping(
                most_db=most_db,
                at_s=at / self._rate_hz,
                samples=samples,
                share=samples / max(1, length),
                share_above_masking=above / max(1, count),
            )
            for (most_db, at), samples, (above, count), length in zip(
                self._most, self._samples, self._bands, lengths, strict=True
            )
        ]
