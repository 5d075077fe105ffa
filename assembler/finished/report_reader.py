"""Read the report of a finished release, and check that it is consistent."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

from pydantic import BaseModel, ValidationError

from assembler.errors import FindingsError
from assembler.finished.report_form import (
    SCHEMA_VERSION,
    DiscReport,
    PlaceReport,
    ReleaseReport,
    TrackReport,
)
from assembler.manifest import Manifest
from assembler.manifest.editions import edition_tracks
from assembler.manifest.sets import set_of
from assembler.mastering.plan import name_of
from assembler.text import shorten
from assembler.text_files import OutsideFile

MOST_BYTES = 64_000_000
"""A report of ninety-nine tracks needs a hundredth of it."""


class _Schema(BaseModel):
    schema_version: int = 1


def read_report(path: Path, manifest: Manifest) -> ReleaseReport:
    """Read a finished release's report.

    Parameters
    ----------
    path
        Of `report.json`.
    manifest
        The manifest beside it.

    Raises
    ------
    ValueError
        It can't be read, has another form, or does not match the manifest.
    """
    try:
        content = OutsideFile(path, "report", MOST_BYTES).read_bytes()
        version = _Schema.model_validate_json(content).schema_version
        if version > SCHEMA_VERSION:
            raise ValueError(
                f"its schema version is {version}, this program reads up to {SCHEMA_VERSION}"
            )
        report = ReleaseReport.model_validate_json(content)
    except FindingsError as error:
        raise ValueError(error.findings[0].message) from error
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"{shorten(place)}: {first['msg']}".removeprefix(": ")) from error
    for contradiction in _contradictions(report, manifest):
        raise ValueError(contradiction)
    return report


def _contradictions(report: ReleaseReport, manifest: Manifest) -> Iterator[str]:
    """Find contradictions that other checks rely on not to be there."""
    if report.name != name_of(manifest):
        yield f"name: {report.name}, the manifest's is {name_of(manifest)}"
    tracks, count = report.tracks, len(manifest.tracks)
    if len(tracks) != count:
        yield f"tracks: there are {len(tracks)}, the manifest has {count}"
    for name, made in report.formats.items():
        own = len(report.indices_on(set_of(name)))
        lengths = {len(made.rates_hz), len(made.gains_db), len(made.levels), len(made.lossy) or own}
        if lengths != {own}:
            yield f"formats.{name}: not one value per track ({own} tracks)"
        if set_of(name) not in report.level.named:
            yield f"formats.{name}: the report has no level of its set"
    if bool(report.discs) != manifest.disc.make:
        yield f"discs: {len(report.discs)}, which contradicts the manifest's `disc.make`"
    yield from _wrong_editions(report, manifest)
    for index, track in enumerate(tracks):
        source = track.source
        if len(source.came_in) != source.sha256.count("+") + 1:
            yield f"tracks.{index}.source: not one SHA-256 per file"
        if source.end_sample <= source.start_sample:
            yield f"tracks.{index}.source: ends before it starts"


def _wrong_editions(report: ReleaseReport, manifest: Manifest) -> Iterator[str]:
    """Find editions whose tracks are not the manifest's, or not in sequence."""
    wanted = edition_tracks(manifest)
    if unknown := [one.name for one in report.editions if one.name not in wanted]:
        yield f"editions: {unknown[0]} is not made"
    for name, indices in wanted.items():
        if report.indices_on(name) != [*indices]:
            yield f"editions: {name} does not have the manifest's tracks"
            return
    for name in wanted:
        is_primary = all(one.name != name for one in report.editions)
        try:
            places = [*report.places_on(name).values()]
        except ValidationError:
            yield "tracks: one has a number and no place"
            return
        for fault in _wrong_positions(places, report.discs if is_primary else []):
            yield fault if is_primary else f"editions.{name}.{fault}"


def _wrong_positions(
    tracks: Sequence[TrackReport | PlaceReport], discs: Sequence[DiscReport]
) -> Iterator[str]:
    """Find tracks out of sequence, and discs that don't match the tracks."""
    for index, track in enumerate(tracks):
        if track.indexes.get("01") != track.start_frame:
            yield f"tracks.{index}.indexes: index 01 is not where the track starts"
    numbers = list(dict.fromkeys(track.disc_number for track in tracks))
    if numbers != list(range(1, len(numbers) + 1)):
        yield f"tracks: discs {numbers} are not in sequence"
    if discs and [disc.number for disc in discs] != numbers:
        yield "discs: not the discs of the tracks"
    for index, (before, track) in enumerate(pairwise(tracks), 1):
        follows = before.disc_number == track.disc_number
        if track.number != (before.number + 1 if follows else 1):
            yield f"tracks.{index}.number: {track.number} does not follow {before.number}"
        if follows and track.start_frame != before.start_frame + before.file_frames:
            yield f"tracks.{index}.start_frame: is not where the track before ends"
    if tracks and tracks[0].number != 1:
        yield f"tracks.0.number: {tracks[0].number}, not 1"
    if any(track.frames > track.file_frames for track in tracks):
        yield "tracks: one is longer than its file"
    for disc in discs:
        last = [track for track in tracks if track.disc_number == disc.number][-1]
        if last.start_frame + last.frames + disc.tail_frames != disc.frames:
            yield f"discs.{disc.number - 1}.frames: not the end of its last track and its tail"
