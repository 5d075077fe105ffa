"""The form of `report.json`: written by build, read by verify, compare and the text report."""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
)

from assembler.findings import Finding
from assembler.manifest.model import Dither
from assembler.manifest.sets import FORMATS, Hold
from assembler.mastering.plan import Room
from assembler.proof.approval import ApprovedSound

SCHEMA_VERSION = 1
"""Raise it when a reader of older reports could misread a new one."""

_FOLDER = rf"^([A-Za-z0-9][A-Za-z0-9_-]{{0,39}}/)?({'|'.join(FORMATS)})$"
Frames = Annotated[int, Field(ge=0, le=2**31)]
Samples = Annotated[int, Field(ge=0, le=2**40)]
Position = Annotated[int, Field(ge=-(2**40), le=2**40)]
RateHz = Annotated[int, Field(ge=1, le=1_000_000)]
Number = Annotated[int, Field(ge=1, le=99)]
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Digests = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}(\+[0-9a-f]{64})*$")]
Indexes = dict[Annotated[str, StringConstraints(pattern=r"^\d\d$")], Frames]
FirstSamples = dict[Annotated[str, StringConstraints(pattern=r"^\d+$")], Position]

Level = float | None


class _Form(BaseModel):
    """A part of the report; keys of a later version of this program are kept."""

    model_config = ConfigDict(
        strict=True, extra="allow", allow_inf_nan=False, frozen=True, defer_build=True
    )

    def as_json(self) -> dict[str, Any]:
        """Return it as plain data, without what was not set."""
        return self.model_dump(mode="json", exclude_unset=True)


class MadeWith(_Form):
    """Versions of the method, and of the packages that make the deliverables."""

    method: int
    packages: dict[str, str]


class DiscReport(_Form):
    """One disc's times."""

    number: Number
    frames: Frames
    time: str
    limit_frames: Frames
    fits: bool
    opening_pause_frames: Frames
    hidden_frames: Frames
    tail_frames: Frames


class LevelReport(_Form):
    """A deliverable's match, target and ceiling."""

    match: Literal["album", "track", "none"]
    target: float
    ceiling: float
    link: float = 100.0
    """Left out where both channels have the same gain reduction."""
    hold: Hold = "none"


class LevelsReport(_Form):
    """The levels of the deliverables."""

    disc: LevelReport
    download: LevelReport | None = None
    """Of the downloads, where they are one set without a name."""
    sets: dict[str, LevelReport] = {}
    """Of each download set with a name."""

    @property
    def named(self) -> dict[str, LevelReport]:
        """The level of the disc, and of each download set."""
        download = {"download": self.download} if self.download else {}
        return {"disc": self.disc, **download, **self.sets}


class PlayingLevelsReport(_Form):
    """The levels in a file's tags."""

    track_lufs: Level
    track_peak: float
    album_lufs: Level
    album_peak: float


class LossyReport(_Form):
    """How a lossy file was kept under its ceiling."""

    peak_before_dbtp: Level
    peak_after_dbtp: Level
    lowered_db: float
    rounds: int


class FormatReport(_Form):
    """One download format: one value per track."""

    rates_hz: list[RateHz]
    gains_db: list[float]
    levels: list[PlayingLevelsReport]
    lossy: list[LossyReport]


class FileReport(_Form):
    """One file of a source."""

    file: str
    kind: str
    sample_rate_hz: RateHz
    bits: int | None
    channels: Annotated[int, Field(ge=1, le=64)]
    samples: Samples


class MeasuredReport(_Form):
    """A track's section of its source before processing, measured for the proof."""

    integrated_lufs: Level
    loudness_range_lu: Level
    true_peak_dbtp: Level
    crest_db: Level = None
    stereo_correlation: Level = None
    """Both are not in older reports."""


class SourceReport(_Form):
    """A track's source."""

    files: list[str]
    sha256: Digests
    sample_rate_hz: RateHz
    start_sample: Samples
    end_sample: Samples
    first_samples: FirstSamples = {}
    """With which the track's file begins, at each rate that the release has."""
    came_in: Annotated[list[FileReport], Field(min_length=1)]
    measured: MeasuredReport | None


class ToneReport(_Form):
    """A track's tone, matched to that of another track or of the album."""

    like: str
    bands: list[dict[str, Any]]
    before_db: Level
    after_db: Level
    """Distance of the spectra without and with the bands: RMS of third octaves, 100 Hz to 10 kHz,
    level removed."""


class DoneReport(_Form):
    """The processing of a track that the manifest asks for."""

    side: str | None
    mended: dict[str, Any]
    equaliser: list[dict[str, Any]]
    mono_below_hz: float | None = None
    tone: ToneReport | None = None
    compress: dict[str, float] | None = None
    clip_db: float | None = None
    """These are left out where the manifest doesn't ask for them."""
    fade_in_s: float
    fade_out_s: float
    fade_shape: str
    overlap_s: float
    trim_db: float


class GainReductionReport(_Form):
    """What the limiter took off."""

    most_db: float
    at_s: Annotated[float, Field(ge=0)]
    mean_db: float | None = None
    db_95: float | None = None
    """What 95 % of the track's steps of 0.1 s don't exceed; both are not in older reports."""
    share_above_1_db: float
    share_above_3_db: float
    image_drift_db: float | None = None
    image_drift_mean_db: float | None = None
    """Change of the balance between left and right, where the limiter's `link` is below 100 %."""


class CompressionReport(_Form):
    """What the compressor took off."""

    most_db: float
    at_s: Annotated[float, Field(ge=0)]
    mean_db: float
    db_95: float
    range_before_lu: Level
    """Loudness range after EQ, before the compressor."""


class ClippingReport(_Form):
    """What the clipper took off."""

    most_db: float
    at_s: Annotated[float, Field(ge=0)]
    samples: Samples
    share: float
    """Samples that were changed, and their share of the track."""
    share_above_masking: float
    """Share of the critical bands, where it works, whose distortion is above the masking
    threshold."""


class DeliveredReport(_Form):
    """A track in one deliverable."""

    integrated_lufs: Level
    true_peak_dbtp: Level
    sample_peak_dbfs: Level
    loudness_range_lu: Level
    crest_db: Level = None
    stereo_correlation: Level = None
    """Both are not in older reports."""
    sample_rate_hz: RateHz
    bits: int
    gain_db: float
    limiting: GainReductionReport
    clipping: ClippingReport | None = None
    """Left out where the track has no clipper."""

    @property
    def reduction_db(self) -> float:
        """The most that clipper and limiter take off together."""
        return self.limiting.most_db + (self.clipping.most_db if self.clipping else 0.0)


class HoldReport(_Form):
    """How a track is held to the approved sound."""

    kind: Literal["same", "replaced", "new"]
    approved_title: str | None
    moves_db: dict[str, float]
    """By how much its gain would change without the hold, by deliverable."""


class TrackEntry(_Form):
    """One track; it has no place if it is on other editions than the primary one only."""

    number: Number | None
    disc_number: Number | None
    title: str
    start_frame: Frames | None
    frames: Frames | None
    file_frames: Frames | None
    gap_frames: Frames | None
    isrc: str | None
    indexes: Indexes | None
    source: SourceReport
    done: DoneReport
    gain_db: float | None
    disc: DeliveredReport | None
    download: DeliveredReport | None
    sets: dict[str, DeliveredReport] = {}
    """Its levels in each download set with a name."""
    most_limiting_db: float | None
    limiting: GainReductionReport | None
    compression: CompressionReport | None = None
    """Left out where nothing was compressed."""
    hold: HoldReport | None = None

    @property
    def delivered(self) -> dict[str, DeliveredReport]:
        """Its levels in each deliverable that was made."""
        made = {"disc": self.disc, "download": self.download, **self.sets}
        return {name: one for name, one in made.items() if one}


class TrackReport(TrackEntry):
    """One track at its place on an edition."""

    number: Number
    disc_number: Number
    start_frame: Frames
    frames: Frames
    file_frames: Frames
    gap_frames: Frames
    indexes: Indexes


class PlaceReport(_Form):
    """A track's place on an edition that is not the primary one."""

    track: Annotated[int, Field(ge=1, le=999)]
    """Its number in the manifest."""
    number: Number
    disc_number: Number
    start_frame: Frames
    frames: Frames
    file_frames: Frames
    gap_frames: Frames
    indexes: Indexes
    first_samples: FirstSamples


class EditionReport(_Form):
    """An edition whose tracks are not those of the primary one."""

    name: str
    tracks: Annotated[list[PlaceReport], Field(min_length=1)]


class StepReport(_Form):
    """One step of a side's restoration."""

    step: str
    done: str
    measure: str | None = None
    before: Level = None
    after: Level = None


class SideReport(_Form):
    """A tape side that tracks are on."""

    name: str
    files: list[str]
    tape: str | None = None
    deck: str | None = None
    transferred: str | None = None
    by: str | None = None
    notes: str | None
    steps: list[StepReport]
    unresolved: list[str]
    reasons: dict[str, str] = {}
    dropouts: list[dict[str, Any]]
    trim_silence: bool


class InputsReport(_Form):
    """What a deliverable was made from: SHA-256 of the manifest's content, and of all sources'."""

    manifest: Digest
    sources: Digest


class ReleaseFacts(_Form):
    """The manifest's `release`; `verify` compares its other keys with the manifest."""

    title: str
    artist: str
    barcode: str | None


class MailedReport(_Form):
    """How the audio of `proof.zip` is encoded."""

    codec: Literal["MP3", "Opus"]
    kbps: int


class CheckedArtworkReport(_Form):
    """A printed part's artwork as it was checked last."""

    part: str
    checked: str
    """The day."""
    files: dict[str, Digest]
    texts: Digest
    """SHA-256 of the texts that it was held against."""
    errors: int
    warnings: int
    changes: list[str]
    """What of its text changed since."""


class ReleaseReport(_Form):
    """The content of `report.json`."""

    schema_version: Annotated[int, Field(ge=1)] = 1
    assembler: str
    made_with: MadeWith
    ok: bool
    name: str
    manifest: str
    release: ReleaseFacts
    rooms: list[Room]
    inputs: InputsReport
    made_from: dict[Room, InputsReport]
    disc: DiscReport | None = None
    discs: list[DiscReport]
    level: LevelsReport
    dither: Dither
    sides: list[SideReport]
    findings: list[Finding]
    formats: dict[Annotated[str, StringConstraints(pattern=_FOLDER)], FormatReport]
    """By folder in `download`."""
    tracks: Annotated[list[TrackEntry], Field(min_length=1)]
    """In the manifest's order, with their places on the disc if one is made."""
    editions: list[EditionReport] = []
    """Those that have other tracks."""
    proof_of: Digest | None
    sound: ApprovedSound | None = None
    """What the proof page hands to the approval file."""
    mailed: MailedReport | None = None
    changes: list[str] = []
    """What changed since the proof that was answered."""
    artwork: list[CheckedArtworkReport] = []
    """By printed part; left out where none was checked."""
    files: dict[str, Digest]

    def indices_on(self, edition: str) -> list[int]:
        """Return the indexes in the manifest of the tracks of an edition."""
        for own in self.editions:
            if own.name == edition:
                return [place.track - 1 for place in own.tracks]
        return [index for index, track in enumerate(self.tracks) if track.number is not None]

    def places_on(self, edition: str) -> dict[int, TrackReport | PlaceReport]:
        """Return the place of each track of an edition, by index in the manifest.

        Raises
        ------
        ValidationError
            A track of the primary edition has no place.
        """
        for own in self.editions:
            if own.name == edition:
                return {place.track - 1: place for place in own.tracks}
        indices = self.indices_on(edition)
        return {i: TrackReport.model_validate(self.tracks[i].as_json()) for i in indices}

    def to_text(self) -> str:
        """Return the content of `report.json`."""
        return json.dumps(self.as_json(), indent=2, ensure_ascii=False) + "\n"
