"""Measure the tracks of a passage: before gain, and as they would be delivered."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from assembler.dsp.blocks import Samples, cut
from assembler.dsp.clipper import FADE_IN_RATIO
from assembler.dsp.decibels import decibels
from assembler.dsp.limiter import LimiterSettings
from assembler.dsp.loudness import EnergyMeter
from assembler.mastering.gain_reduction import GainReductionLog
from assembler.mastering.gain_search import Landing
from assembler.mastering.limiting import limited
from assembler.mastering.passage import RenderedPassage, with_gain, with_silence

BLOCK_S = 0.4
"""A gating block of BS.1770: sound that is shorter has no integrated loudness."""


@dataclass(frozen=True)
class SourceLevel:
    """A track before gain."""

    lufs: float | None
    """Integrated loudness; None for silence."""
    peak_dbfs: float | None
    """Sample peak; None where tracks overlap, so that it depends on their gains."""
    too_short: bool
    """Shorter than a gating block."""
    clip_below_db: float = 0.0
    """How far below the ceiling its clipper begins."""


def source_levels(rendered: RenderedPassage) -> list[SourceLevel]:
    """Measure each track of a passage before gain."""
    meters = [EnergyMeter(rendered.rate_hz, 2) for _ in rendered.sections]
    peaks = [0.0] * len(meters)
    for region, block in _regions(rendered, with_gain(rendered, [0.0] * len(meters))):
        meters[region].feed(block)
        peaks[region] = max(peaks[region], float(np.abs(block).max(initial=0.0)))
    overlapping = any(rendered.overlaps)
    deepest_db = max(section.track.clip or 0.0 for section in rendered.sections)
    return [
        SourceLevel(
            lufs=meter.loudness().integrated_lufs,
            peak_dbfs=None if overlapping else decibels(peak),
            too_short=length < BLOCK_S * rendered.rate_hz,
            clip_below_db=FADE_IN_RATIO * deepest_db,
        )
        for meter, peak, length in zip(meters, peaks, rendered.lengths, strict=True)
    ]


def levels_after_limiting(
    rendered: RenderedPassage, gains_db: Sequence[float], limiter: LimiterSettings
) -> list[Landing]:
    """Measure each track of a passage as it would be delivered with these gains."""
    meters = [EnergyMeter(rendered.rate_hz, 2) for _ in rendered.sections]
    log = GainReductionLog(rendered.rate_hz, rendered.parts)
    for region, block in _regions(rendered, limited(rendered, gains_db, limiter, log)):
        meters[region].feed(block)
    return [
        Landing(
            -99.0 if (lufs := meter.loudness().integrated_lufs) is None else lufs, track.most_db
        )
        for meter, track in zip(meters, log.tracks(), strict=True)
    ]


def _regions(rendered: RenderedPassage, sound: Iterator[Samples]) -> Iterator[tuple[int, Samples]]:
    return cut(with_silence(sound, rendered.length), rendered.cuts)
