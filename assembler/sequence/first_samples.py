"""Where in its recording each track's file begins."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from assembler.dsp.resample import position_at
from assembler.sequence.frames import samples_at, samples_in
from assembler.sequence.order import Passage


class RecordingSpan(NamedTuple):
    """A track's section of its recording, and its overlap with the track before."""

    start: int
    end: int
    rate_hz: int
    overlap_s: Fraction


def first_samples(
    passage: Passage, spans: Sequence[RecordingSpan], rate_hz: int
) -> tuple[int, ...]:
    """Return the sample of its recording, at a rate, with which each track's file begins.

    That is the start of its section, moved to a frame boundary if it follows another track without
    a gap; below 0 there is silence.
    """
    found = []
    position = 0  # of the section in the passage
    for n, (mark, span) in enumerate(zip(passage.marks, spans, strict=True)):
        start, end = (position_at(edge, span.rate_hz, rate_hz) for edge in (span.start, span.end))
        position -= samples_in(span.overlap_s, rate_hz) if n else 0
        found.append(start + samples_at(mark, rate_hz) - position)
        position += end - start
    return tuple(found)
