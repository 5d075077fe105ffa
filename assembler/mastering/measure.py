"""Measure loudness and peaks of files."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from assembler.audio import open_recording
from assembler.dsp.decibels import rounded
from assembler.dsp.meter import Reading, read_meter
from assembler.workers import own_workers


@dataclass(frozen=True)
class Measurement:
    """One measured file or track."""

    path: str
    """The file; of a pair, both."""
    title: str | None
    """The track's, if it was measured for a manifest."""
    rate_hz: int
    channels: int
    reading: Reading
    doubts: tuple[str, ...] = ()
    """Why its files may be truncated."""

    def as_json(self) -> dict[str, Any]:
        """Return the measurement as plain data for ``--json``."""
        reading = self.reading
        title = {"title": self.title} if self.title else {}
        return {
            "path": self.path,
            **title,
            "duration_s": round(reading.frames / self.rate_hz, 6),
            "sample_rate_hz": self.rate_hz,
            "channels": self.channels,
            "integrated_lufs": rounded(reading.integrated_lufs),
            "max_momentary_lufs": rounded(reading.max_momentary_lufs),
            "max_short_term_lufs": rounded(reading.max_short_term_lufs),
            "loudness_range_lu": rounded(reading.loudness_range_lu),
            "true_peak_dbtp": rounded(reading.true_peak_dbtp),
            "sample_peak_dbfs": rounded(reading.sample_peak_dbfs),
            "crest_db": rounded(reading.crest_db),
            "stereo_correlation": rounded(reading.stereo_correlation),
            "doubts": list(self.doubts),
        }


def measure_files(paths: Sequence[Path], *, jobs: int | None = None) -> list[Measurement]:
    """Measure files; a mono file as it would be delivered, in both channels.

    Raises
    ------
    SourceError
        A file can't be used.
    """
    with workspace(jobs) as (scratch, pool):
        return list(pool.map(partial(_measure_file, scratch), paths))


@contextmanager
def workspace(jobs: int | None) -> Iterator[tuple[Path, Executor]]:
    """Open a folder for decoded copies, and a pool of workers."""
    with tempfile.TemporaryDirectory() as scratch, own_workers(jobs) as pool:
        yield Path(scratch), pool


def _measure_file(scratch: Path, path: Path) -> Measurement:
    recording = open_recording((path,), scratch)
    reading = read_meter(recording.blocks(0, recording.frames), recording.rate_hz)
    channels = 1 if recording.is_mono else 2
    return Measurement(str(path), None, recording.rate_hz, channels, reading, recording.doubts)
