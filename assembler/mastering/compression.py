"""What a track's compressor does: its gain reduction, and the loudness range before it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from assembler.dsp.blocks import Samples
from assembler.dsp.compressor import compress
from assembler.dsp.compressor_settings import CompressorSettings
from assembler.dsp.loudness import EnergyMeter
from assembler.mastering.gain_reduction import GainReductionLog


@dataclass(frozen=True)
class TrackCompression:
    """What the compressor did to a track."""

    most_db: float
    at_s: float
    mean_db: float
    db_95: float
    """Gain reduction: maximum and its time, mean, and what 95 % of the steps of 0.1 s don't
    exceed."""
    range_before_lu: float | None
    """Loudness range after EQ, before the compressor."""
    course_db: tuple[float, ...] = ()
    """Maximum gain reduction in each 0.1 s of the track."""


class CompressionLog:
    """Compresses a track, and measures what that does to its section.

    Parameters
    ----------
    settings
        The compressor's.
    rate_hz
        Sample rate.
    start, end
        The section in the stream: it is longer, so that the compressor is settled.
    """

    def __init__(self, settings: CompressorSettings, rate_hz: int, start: int, end: int) -> None:
        self._settings = settings
        self._rate_hz = rate_hz
        self._span = start, end
        self._log = GainReductionLog(rate_hz, self._span)
        self._before = EnergyMeter(rate_hz, 2)

    def compress(self, blocks: Iterator[Samples]) -> Iterator[Samples]:
        """Compress the stream."""
        heard = self._measured(blocks)
        return compress(heard, self._settings, self._rate_hz, self._log.add)

    def _measured(self, blocks: Iterator[Samples]) -> Iterator[Samples]:
        (start, end), position = self._span, 0
        for block in blocks:
            self._before.feed(block[max(0, start - position) : max(0, end - position)])
            position += len(block)
            yield block

    def result(self) -> TrackCompression:
        """Return what was measured."""
        _, reduction = self._log.tracks()
        return TrackCompression(
            reduction.most_db,
            reduction.at_s,
            reduction.mean_db,
            reduction.db_95,
            self._before.loudness().range_lu,
            reduction.course_db,
        )


def write_compressions(path: Path, found: Sequence[TrackCompression | None]) -> None:
    """Write what was measured of a passage's tracks."""
    path.write_text(json.dumps([one and asdict(one) for one in found]), encoding="utf-8")


def read_compressions(path: Path, count: int) -> list[TrackCompression | None]:
    """Read what was measured of a passage's tracks; None of tracks without a compressor."""
    if not path.exists():
        return [None] * count
    found = json.loads(path.read_text(encoding="utf-8"))
    return [one and compression_from(one) for one in found]


def compression_from(found: Mapping[str, Any]) -> TrackCompression:
    """Return what `asdict` and JSON made plain data."""
    return TrackCompression(**{**found, "course_db": tuple(found["course_db"])})
