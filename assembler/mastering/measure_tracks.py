"""Measure loudness and peaks of a manifest's tracks as they are in their sources."""

from __future__ import annotations

from assembler.dsp.meter import Reading, read_meter
from assembler.errors import FindingsError
from assembler.findings import errors_in
from assembler.manifest import ManifestFile
from assembler.mastering.measure import Measurement, workspace
from assembler.preflight.sections import find_sections
from assembler.preflight.track_section import TrackSection


def measure_manifest(source: ManifestFile, *, jobs: int | None = None) -> list[Measurement]:
    """Measure the section of every track of a manifest, before any processing.

    Raises
    ------
    FindingsError
        A source can't be used.
    """
    with workspace(jobs) as (scratch, pool):
        found, findings = find_sections(source, scratch)
        if errors_in(findings):
            raise FindingsError(findings)
        sections = [section for section in found if section is not None]
        readings = pool.map(measure_section, sections)
        return [
            Measurement(
                path=" + ".join(section.names),
                title=section.track.full_title,
                rate_hz=section.recording.rate_hz,
                channels=1 if section.recording.is_mono else 2,
                reading=reading,
                doubts=section.recording.doubts,
            )
            for section, reading in zip(sections, readings, strict=True)
        ]


def measure_section(section: TrackSection) -> Reading:
    """Measure a track's section of its recording, before any processing."""
    blocks = section.recording.blocks(section.start, section.end)
    return read_meter(blocks, section.recording.rate_hz)
