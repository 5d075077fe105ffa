"""The form of `report.json`, and its one reader: whoever reads a finished release reads it here."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, NotRequired

from pydantic import (
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
    ValidationError,
    with_config,
)
from typing_extensions import TypedDict

from assembler.dsp.dither import Dither
from assembler.errors import FindingsError
from assembler.manifest import Manifest
from assembler.manifest.model import Format
from assembler.mastering.plan import Room, name_of
from assembler.text import shorten
from assembler.text_files import OutsideFile

MOST_BYTES = 64_000_000
"""Ninety-nine tracks with all that a report says of them need a hundredth of it."""

_Form = ConfigDict(strict=True, extra="allow", allow_inf_nan=False)

Deliverable = Literal["disc", "download"]
Frames = Annotated[int, Field(ge=0, le=2**31)]
Samples = Annotated[int, Field(ge=0, le=2**40)]
RateHz = Annotated[int, Field(ge=1, le=1_000_000)]
Number = Annotated[int, Field(ge=1, le=99)]
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Digests = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}(\+[0-9a-f]{64})*$")]
Level = float | None


@with_config(_Form)
class MadeWith(TypedDict):
    """The version of the method, and of the packages that make what is delivered."""

    method: int
    packages: dict[str, str]


@with_config(_Form)
class DiscReport(TypedDict):
    """One disc's time."""

    number: Number
    frames: Frames
    time: str
    limit_frames: Frames
    fits: bool
    opening_pause_frames: Frames
    hidden_frames: Frames
    tail_frames: Frames


@with_config(_Form)
class LevelReport(TypedDict):
    """What was asked of a deliverable's level."""

    match: Literal["album", "track", "none"]
    target: float
    ceiling: float


@with_config(_Form)
class FindingReport(TypedDict):
    """One finding of the build."""

    severity: Literal["error", "warning", "note"]
    code: str
    where: str
    file: str
    line: int
    message: str


@with_config(_Form)
class PlayingLevelsReport(TypedDict):
    """What a file's tags say to players about its level."""

    track_lufs: Level
    track_peak: float
    album_lufs: Level
    album_peak: float


@with_config(_Form)
class LossyReport(TypedDict):
    """What keeping a lossy file under its ceiling took."""

    peak_before_dbtp: Level
    peak_after_dbtp: Level
    lowered_db: float
    rounds: int


@with_config(_Form)
class FormatReport(TypedDict):
    """What became of a download format: one value for each track."""

    rates_hz: list[RateHz]
    gains_db: list[float]
    levels: list[PlayingLevelsReport]
    lossy: list[LossyReport]


@with_config(_Form)
class FileReport(TypedDict):
    """One file of a source."""

    file: str
    kind: str
    sample_rate_hz: RateHz
    bits: int | None
    channels: Annotated[int, Field(ge=1, le=64)]
    samples: Samples


@with_config(_Form)
class MeasuredReport(TypedDict):
    """A track's stretch of its source before anything is done to it; measured for the proof."""

    integrated_lufs: Level
    loudness_range_lu: Level
    true_peak_dbtp: Level


@with_config(_Form)
class SourceReport(TypedDict):
    """Where a track's sound comes from."""

    files: list[str]
    sha256: Digests
    sample_rate_hz: RateHz
    start_sample: Samples
    end_sample: Samples
    came_in: Annotated[list[FileReport], Field(min_length=1)]
    measured: MeasuredReport | None


@with_config(_Form)
class DoneReport(TypedDict):
    """What the manifest asks to be done to a track's sound."""

    side: str | None
    mended: dict[str, Any]
    equaliser: list[dict[str, Any]]
    fade_in_s: float
    fade_out_s: float
    fade_shape: str
    overlap_s: float
    trim_db: float


@with_config(_Form)
class LimitingReport(TypedDict):
    """What the limiter took."""

    most_db: float
    at_s: Annotated[float, Field(ge=0)]
    share_above_1_db: float
    share_above_3_db: float


@with_config(_Form)
class DeliveredReport(TypedDict):
    """A track as one deliverable has it."""

    integrated_lufs: Level
    true_peak_dbtp: Level
    sample_peak_dbfs: Level
    loudness_range_lu: Level
    sample_rate_hz: RateHz
    bits: int
    gain_db: float
    limiting: LimitingReport


@with_config(_Form)
class TrackReport(TypedDict):
    """One track."""

    number: Number
    disc_number: Number
    title: str
    start_frame: Frames
    frames: Frames
    file_frames: Frames
    gap_frames: Frames
    isrc: str | None
    indexes: dict[Annotated[str, StringConstraints(pattern=r"^\d\d$")], Frames]
    source: SourceReport
    done: DoneReport
    gain_db: float | None
    disc: DeliveredReport | None
    download: DeliveredReport | None
    most_limiting_db: float | None
    limiting: LimitingReport | None


@with_config(_Form)
class StepReport(TypedDict):
    """One step of a side's restoration."""

    step: str
    done: str
    measure: NotRequired[str | None]
    before: NotRequired[Level]
    after: NotRequired[Level]


@with_config(_Form)
class SideReport(TypedDict):
    """A tape side that tracks are on."""

    name: str
    files: list[str]
    tape: NotRequired[str]
    deck: NotRequired[str]
    transferred: NotRequired[str]
    by: NotRequired[str]
    notes: str | None
    steps: list[StepReport]
    unresolved: list[str]
    dropouts: list[dict[str, Any]]
    trim_silence: bool


@with_config(_Form)
class InputsReport(TypedDict):
    """What a deliverable was made from: SHA-256 of the manifest's contents, and of all sources'."""

    manifest: Digest
    sources: Digest


@with_config(_Form)
class ReleaseReport(TypedDict):
    """The release's words; the rest of them is held against the manifest."""

    title: str
    artist: str
    barcode: str | None


@with_config(_Form)
class Report(TypedDict):
    """The whole of `report.json`."""

    assembler: str
    made_with: MadeWith
    ok: bool
    name: str
    manifest: str
    release: ReleaseReport
    rooms: list[Room]
    inputs: InputsReport
    made_from: dict[Room, InputsReport]
    discs: list[DiscReport]
    level: dict[Deliverable, LevelReport]
    dither: Dither
    sides: list[SideReport]
    findings: list[FindingReport]
    formats: dict[Format, FormatReport]
    tracks: Annotated[list[TrackReport], Field(min_length=1)]
    proof_of: Digest | None
    files: dict[str, Digest]


_REPORT = TypeAdapter(Report)


def read_report(path: Path, manifest: Manifest) -> Report:
    """Read a finished release's report.

    Parameters
    ----------
    path
        Of `report.json`.
    manifest
        The manifest that lies beside it.

    Raises
    ------
    ValueError
        It can't be read, has not the form of a report, or does not fit the manifest.
    """
    try:
        content = OutsideFile(path, "report", MOST_BYTES).read_bytes()
        report: Report = _REPORT.validate_json(content)
    except FindingsError as error:
        raise ValueError(error.findings[0].message) from error
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"{shorten(place)}: {first['msg']}".removeprefix(": ")) from error
    for contradiction in _contradictions(report, manifest):
        raise ValueError(contradiction)
    return report


def _contradictions(report: Report, manifest: Manifest) -> Iterator[str]:
    """Find what other readings rely on and is not so."""
    if report["name"] != name_of(manifest):
        yield f"name: {report['name']}, the manifest's is {name_of(manifest)}"
    tracks, count = report["tracks"], len(manifest.tracks)
    if len(tracks) != count:
        yield f"tracks: {len(tracks)} of them, the manifest has {count}"
    if set(report["level"]) != {"disc", "download"}:
        yield "level: of disc and download, no more and no less"
    for name, made in report["formats"].items():
        lengths = {
            len(made["rates_hz"]),
            len(made["gains_db"]),
            len(made["levels"]),
            len(made["lossy"]) or count,
        }
        if lengths != {count}:
            yield f"formats.{name}: not one value for each of {count} tracks"
    yield from _wrong_places(report)
    for index, track in enumerate(tracks):
        source = track["source"]
        if len(source["came_in"]) != source["sha256"].count("+") + 1:
            yield f"tracks.{index}.source: not one SHA-256 for each file"
        if source["end_sample"] <= source["start_sample"]:
            yield f"tracks.{index}.source: ends before it starts"
        if track["indexes"].get("01") != track["start_frame"]:
            yield f"tracks.{index}.indexes: index 01 is not where the track starts"


def _wrong_places(report: Report) -> Iterator[str]:
    """Find tracks that don't follow each other, and discs that are not theirs."""
    tracks = report["tracks"]
    numbers = list(dict.fromkeys(track["disc_number"] for track in tracks))
    if numbers != list(range(1, len(numbers) + 1)):
        yield f"tracks: discs {numbers} don't follow each other"
    if report["discs"] and [disc["number"] for disc in report["discs"]] != numbers:
        yield "discs: not those of the tracks"
    for index, (before, track) in enumerate(pairwise(tracks), 1):
        follows = before["disc_number"] == track["disc_number"]
        if track["number"] != (before["number"] + 1 if follows else 1):
            yield f"tracks.{index}.number: {track['number']} does not follow {before['number']}"
        if follows and track["start_frame"] != before["start_frame"] + before["file_frames"]:
            yield f"tracks.{index}.start_frame: is not where the track before ends"
    if tracks and tracks[0]["number"] != 1:
        yield f"tracks.0.number: {tracks[0]['number']}, not 1"
    if any(track["frames"] > track["file_frames"] for track in tracks):
        yield "tracks: one lasts longer than its file"
    for disc in report["discs"]:
        last = [track for track in tracks if track["disc_number"] == disc["number"]][-1]
        if last["start_frame"] + last["frames"] + disc["tail_frames"] != disc["frames"]:
            yield f"discs.{disc['number'] - 1}.frames: not the end of its last track and its tail"
