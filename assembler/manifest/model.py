"""What can be written in a manifest: one class a section, one attribute a key.

Everything is frozen: a release is described once, and every deliverable reads the same words.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, model_validator

from assembler.manifest.section import Section, SoundFiles
from assembler.manifest.times import parse_frames
from assembler.manifest.transfers import Transfer
from assembler.manifest.values import (
    AtMost,
    Barcode,
    DiscLine,
    DiscTime,
    GapTime,
    InRange,
    Isrc,
    IsrcPrefix,
    Line,
    Paragraphs,
    PartialDate,
    Seconds,
    YesNo,
    at_least_one,
    listed,
    refusal,
    whole_if_digits,
)

NO_SOURCE = "no-source"
"""Of a track that names neither a file nor a side."""

Match = Literal["album", "track", "none"]
Format = Literal[
    "flac-24",
    "flac-16",
    "wav-24",
    "wav-16",
    "mp3-320",
    "mp3-vbr",
    "opus-160",
    "aac-256",
    "alac-24",
    "ogg-q8",
]
FORMATS: tuple[Format, ...] = get_args(Format)
Shape = Literal["high_pass", "low_pass", "low_shelf", "high_shelf", "bell", "notch"]

Lufs = Annotated[float, InRange(-60, 0, "LUFS")]
Dbtp = Annotated[float, InRange(-20, 0, "dBTP")]
Decibels = Annotated[float, InRange(-60, 60, "dB")]
Hertz = Annotated[float, InRange(1, 96000, "Hz")]
Quality = Annotated[float, InRange(0.05, 100, "(q)")]
TrackNumber = Annotated[int, InRange(1, 999, whole=True)]
DiscNumber = Annotated[int, InRange(1, 99, whole=True)]
Rate = Annotated[int, InRange(44100, 192000, whole=True)]
FadeShape = Literal["equal_power", "linear"]
Dither = Literal["tpdf", "shaped", "none"]
IsrcYear = Annotated[int, InRange(0, 99, whole=True)]
IsrcNumber = Annotated[int, InRange(1, 99999, whole=True)]
Slope = Annotated[Literal[12, 24], BeforeValidator(whole_if_digits)]
Names = Annotated[
    tuple[Line, ...], BeforeValidator(AtMost(200, "names").validate), BeforeValidator(listed)
]


class DiscText(Section):
    """How a text is spelt on the disc, where its own letters can't be written there.

    Cue sheet and CD-Text hold ISO 8859-1, 80 characters a text, no double quotes.
    """

    title: DiscLine | None = None
    """The title as the disc spells it."""
    performer: DiscLine | None = None
    """The performer as the disc spells it."""
    songwriter: DiscLine | None = None
    """Who wrote the words."""
    composer: DiscLine | None = None
    """Who composed it."""
    arranger: DiscLine | None = None
    """Who arranged it."""
    message: DiscLine | None = None
    """Words of one's own to whoever reads the disc; CD-Text alone has room for them."""


class IsrcRange(Section):
    """Where the ISRCs of tracks without one come from: a range that their owner was allotted."""

    prefix: IsrcPrefix
    """The five characters before the year, as the national agency allotted them."""
    year: IsrcYear
    """Two digits: the year of reference."""
    first: IsrcNumber = 1
    """The first number that is free."""


class Release(Section):
    """The release as a whole: what stands on the front and the spine."""

    artist: Line
    """The artist on the front."""
    title: Line
    """The release's title."""
    catalogue_number: Line | None = None
    """Names the release's folder and files."""
    label: Line | None = None
    """The label that brings it out."""
    release_date: PartialDate | None = None
    """The day of release, a month or a year."""
    barcode: Barcode | None = None
    """EAN-13 or UPC-A, as allotted; never made up here."""
    genre: Line | None = None
    """As shops list it."""
    p_line: Line | None = None
    """The ℗ line, without the sign: year and owner of the recording."""
    c_line: Line | None = None
    """The © line, without the sign: year and owner of the package."""
    front_cover: Line | None = None
    """A JPEG or PNG picture, path relative to the manifest."""
    back_cover: Line | None = None
    """A JPEG or PNG picture, path relative to the manifest."""
    language: Line | None = None
    """ISO 639 code of the language sung or spoken."""
    isrc: IsrcRange | None = None
    """Numbers the tracks that have no ISRC, in order."""
    cd_text: DiscText | None = None
    """The release's texts on the disc, where it spells them another way."""


class Level(Section):
    """How loud, and how high a peak may go."""

    match: Match = "album"
    """album: one gain, the loudest track lands on the target. track: every track. none: no gain."""
    target: Lufs = -14.0
    """Integrated loudness to land on, LUFS."""
    ceiling: Dbtp = -1.0
    """Highest true peak, dBTP."""


class LevelChange(Section):
    """What one deliverable does otherwise than the rest of the release."""

    match: Match | None = None
    """As under `level`."""
    target: Lufs | None = None
    """As under `level`."""
    ceiling: Dbtp | None = None
    """As under `level`."""


class DiscSettings(Section):
    """The disc: gaps, the plant's limit, or no disc at all."""

    make: YesNo = True
    """Make a disc at all."""
    gap: Seconds = Fraction(2)
    """Silence before a track that says nothing else."""
    limit: DiscTime = parse_frames("79:57")
    """The longest image the plant takes, in frames."""
    tail: Seconds = Fraction(0)
    """Silence after the last track."""
    pregap_audio: Line | None = None
    """A file that plays before track 1's index 01, for whoever searches back from there."""
    dither: Dither = "tpdf"
    """tpdf: flat noise. shaped: moved to where it is heard least. none: rounding alone."""
    master_date: PartialDate | None = None
    """When the master was made, for the PQ sheet; left out, there is room to write it by hand."""
    level: LevelChange | None = None
    """The disc's own level, where it differs."""


class DownloadSettings(Section):
    """The files for listeners and shops."""

    formats: Annotated[
        tuple[Format, ...], BeforeValidator(AtMost(99, "formats").validate), BeforeValidator(listed)
    ] = ("flac-24", "mp3-320")
    """File formats to make."""
    rate: Rate | None = None
    """One sample rate for all files; without it files of 16 bits have 44.1 kHz, others their
    source's rate."""
    lossy_ceiling: Dbtp = 0.0
    """Highest true peak of a lossy file as it decodes; above it, it is made again, lower."""
    level: LevelChange | None = None
    """The downloads' own level, where it differs."""


class Audio(SoundFiles):
    """A source: one file, or one mono file for each channel."""

    model_config = ConfigDict(
        json_schema_extra={
            "type": ["string", "object"],
            "description": "A path, or {left: path, right: path}",
        },
    )

    @model_validator(mode="before")
    @classmethod
    def _path_alone(cls, value: object) -> object:
        if isinstance(value, list):
            raise refusal("bad-audio", "name one file, or {left: …, right: …} for a pair")
        return {"file": value} if isinstance(value, str) else value


class Band(Section):
    """One equaliser band."""

    shape: Shape
    """Kind of filter."""
    hz: Hertz
    """Corner or centre frequency, Hz."""
    db: Decibels | None = None
    """Gain of a bell or a shelf."""
    q: Quality | None = None
    """Width of the band: the higher, the narrower."""
    slope: Slope | None = None
    """dB per octave of a high_pass or low_pass."""

    @model_validator(mode="after")
    def _fitting_keys(self) -> Band:
        passes = self.shape in ("high_pass", "low_pass")
        if self.shape in ("bell", "low_shelf", "high_shelf") and self.db is None:
            raise refusal("bad-band", f"a {self.shape} needs `db`")
        if (passes or self.shape == "notch") and self.db is not None:
            raise refusal("bad-band", f"a {self.shape} has no `db`: take it out")
        if self.slope is not None and not passes:
            raise refusal("bad-band", f"a {self.shape} has no `slope`: take it out")
        return self


class Track(Section):
    """One track: where its sound comes from, what is done to it, and its words."""

    title: Line
    """The title, without its version."""
    audio: Audio | None = None
    """The recording: one file, or one mono file for each channel."""
    side: Line | None = Field(default=None, alias="from")
    """The side of `transfers` that it is on, in place of `audio`."""
    start: Seconds | None = None
    """Where it begins in the recording."""
    end: Seconds | None = None
    """Where it ends in the recording."""
    recorded: PartialDate | None = None
    """When it was recorded: a year, a month or a day."""
    recorded_at: Line | None = None
    """The place of the recording."""
    isrc: Isrc | None = None
    """The code that its owner assigned; never made up here."""
    gap: GapTime | None = None
    """Silence before this track; 0 is a segue."""
    overlap: Seconds | None = None
    """A crossfade with the track before, of that many seconds."""
    indexes: Annotated[
        tuple[Seconds, ...], BeforeValidator(AtMost(999, "index points").validate)
    ] = ()
    """Index points inside the track, from its start: 02, 03 and on."""
    copy_permitted: YesNo = False
    """The disc's flag that digital copies may be made."""
    pre_emphasis: YesNo = False
    """The disc's flag that the sound was recorded with emphasis; it is flagged, not applied."""
    trim: Decibels = 0.0
    """On top of the match."""
    fade_in: Seconds | None = None
    """Of a track from a side 10 ms if left out, over hiss up to 0.5 s; 0 for none."""
    fade_out: Seconds | None = None
    """Of a track from a side 50 ms if left out, over hiss up to 0.5 s; 0 for none."""
    fade_shape: FadeShape = "equal_power"
    """Curve of both fades."""
    equaliser: Annotated[tuple[Band, ...], BeforeValidator(AtMost(100, "bands").validate)] = ()
    """EQ bands, in order."""
    artist: Line | None = None
    """Where it differs from the release's."""
    version: Line | None = None
    """"live", "2027 remaster"."""
    composers: Names = ()
    """Who composed it."""
    lyricists: Names = ()
    """Who wrote the words."""
    arrangers: Names = ()
    """Who arranged it."""
    publisher: Line | None = None
    """Who publishes the work."""
    lyrics: Paragraphs | None = None
    """The words that are sung."""
    comment: Paragraphs | None = None
    """A comment for the tags."""
    disc: DiscNumber | None = None
    """The disc that it is on; left out, the disc of the track before."""
    cd_text: DiscText | None = None
    """The track's texts on the disc, where it spells them another way."""

    @model_validator(mode="after")
    def _one_source(self) -> Track:
        if self.audio is None and self.side is None:
            raise refusal(NO_SOURCE, "`audio` is missing or empty: add `audio: …` here")
        if self.audio is not None and self.side is not None:
            raise refusal("two-sources", "`audio` and `from` both say where: take one out")
        return self

    @property
    def full_title(self) -> str:
        """The title as it is shown, with the version in brackets."""
        return f"{self.title} ({self.version})" if self.version else self.title


class Credit(Section):
    """Who did what, on which tracks; no tracks: on the whole release."""

    name: Line
    """A person or a group."""
    roles: Names
    """What they did."""
    tracks: Annotated[tuple[TrackNumber, ...], BeforeValidator(listed)] = ()
    """Numbers of the tracks; left out, the whole release."""


class SleeveText(Section):
    """Words for the sleeve."""

    notes: Paragraphs | None = None
    """Sleeve notes."""
    thanks: Paragraphs | None = None
    """Thanks."""


def _opening_discs(tracks: tuple[Track, ...]) -> tuple[Track, ...]:
    """Keep `disc` on the first track of each disc: to repeat it on the others says no more."""
    found, on = [], None
    for track in tracks:
        repeated = track.disc is not None and track.disc == on
        on = track.disc or on or 1
        found.append(track.model_copy(update={"disc": None}) if repeated else track)
    return tuple(found)


class Manifest(Section):
    """A release in one file."""

    release: Release
    """The release as a whole."""
    level: Level = Level()
    """How loud, and how high a peak may go."""
    disc: DiscSettings = DiscSettings()
    """The disc."""
    download: DownloadSettings = DownloadSettings()
    """The files for listeners and shops."""
    transfers: dict[Line, Transfer] = Field(default_factory=dict)
    """Tape sides by name."""
    tracks: Annotated[
        tuple[Track, ...],
        BeforeValidator(AtMost(999, "tracks").validate),
        BeforeValidator(at_least_one),
        AfterValidator(_opening_discs),
    ]
    """In the order that they play."""
    credits: Annotated[tuple[Credit, ...], BeforeValidator(AtMost(2000, "credits").validate)] = ()
    """Who did what."""
    text: SleeveText = SleeveText()
    """Text for the sleeve."""

    def level_of(self, deliverable: Literal["disc", "download"]) -> Level:
        """Return the level of a deliverable: the release's, with the deliverable's own changes."""
        change = self.disc.level if deliverable == "disc" else self.download.level
        own = change.model_dump(exclude_none=True) if change else {}
        return self.level.model_copy(update=own)

    def paths_of(self, track: Track) -> tuple[str, ...]:
        """Return a track's files: its own, or those of the side that it is on."""
        if track.audio is not None:
            return track.audio.paths
        return self.transfers[track.side].paths if track.side else ()

    def artist_of(self, track: Track) -> str:
        """Return the track's artist, which is the release's where the track names none."""
        return track.artist or self.release.artist
