"""Everything that a manifest can contain: one class per section, one attribute per key.

Everything is frozen: a release is described once, and every deliverable reads the same metadata.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, model_validator

from assembler.manifest.details import Names, ReleaseDetails, TrackDetails
from assembler.manifest.section import Section, SoundFiles
from assembler.manifest.sets import (
    DISC,
    DownloadSettings,
    Format,
    Level,
    LevelChange,
    SetsOrOne,
    set_of,
    with_distinct_names,
)
from assembler.manifest.sleeve import Sleeve
from assembler.manifest.times import parse_frames
from assembler.manifest.tone import Band, ClipDepth, Compress, Decibels, MonoHertz
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
    Language,
    Line,
    Paragraphs,
    PartialDate,
    Seconds,
    YesNo,
    at_least_one,
    listed,
    refusal,
)

NO_SOURCE = "no-source"
"""Error type of a track that names neither a file nor a side."""

DiscForm = Literal["wav", "bin"]

TrackNumber = Annotated[int, InRange(1, 999, whole=True)]
DiscNumber = Annotated[int, InRange(1, 99, whole=True)]
FadeShape = Literal["equal_power", "linear"]
Dither = Literal["tpdf", "shaped", "none"]
IsrcYear = Annotated[int, InRange(0, 99, whole=True)]
IsrcNumber = Annotated[int, InRange(1, 99999, whole=True)]


class DiscText(Section):
    """Texts for the disc, where CD-Text can't encode the ones of the release or track.

    Cue sheet and CD-Text are ISO 8859-1, at most 80 characters per text, no double quotes.
    """

    title: DiscLine | None = None
    """The title on the disc."""
    performer: DiscLine | None = None
    """The performer on the disc."""
    songwriter: DiscLine | None = None
    """Who wrote the lyrics."""
    composer: DiscLine | None = None
    """Who composed it."""
    arranger: DiscLine | None = None
    """Who arranged it."""
    message: DiscLine | None = None
    """A message to the listener, in CD-Text only."""


class IsrcRange(Section):
    """The owner's assigned range, from which tracks without an ISRC are numbered."""

    prefix: IsrcPrefix
    """The five characters before the year, as the national agency assigned them."""
    year: IsrcYear
    """Two digits: the year of reference."""
    first: IsrcNumber = 1
    """The first free number."""


class Release(ReleaseDetails):
    """The release as a whole."""

    artist: Line
    """The artist on the front."""
    title: Line
    """The release's title."""
    catalogue_number: Line | None = None
    """Catalogue number; it also names the release's folder and files."""
    label: Line | None = None
    """The label that publishes the release."""
    release_date: PartialDate | None = None
    """Date of release: a day, a month or a year."""
    barcode: Barcode | None = None
    """EAN-13 or UPC-A as GS1 assigned it; never invented here."""
    genre: Line | None = None
    """Genre for tags and shops."""
    p_line: Line | None = None
    """The ℗ line, without the symbol: year and owner of the recording."""
    c_line: Line | None = None
    """The © line, without the symbol: year and owner of the package."""
    front_cover: Line | None = None
    """A JPEG or PNG picture; path relative to the manifest."""
    back_cover: Line | None = None
    """A JPEG or PNG picture; path relative to the manifest."""
    language: Language | None = None
    """ISO 639 code of the language sung or spoken."""
    isrc: IsrcRange | None = None
    """The range from which tracks without an ISRC are numbered, in order."""
    cd_text: DiscText | None = None
    """The release's texts on the disc, where they differ."""


def _with_wav(forms: tuple[DiscForm, ...]) -> tuple[DiscForm, ...]:
    """Refuse a list without the form that all others are made from."""
    if "wav" not in forms:
        raise refusal("missing-key", "the image is always made as WAV too: write [wav, bin]")
    return forms


class DiscSettings(Section):
    """The disc: gaps, the plant's limit, or no disc at all."""

    make: YesNo = True
    """Whether to make a disc."""
    gap: Seconds = Fraction(2)
    """Default silence before a track."""
    limit: DiscTime = parse_frames("79:57")
    """The longest image that the plant accepts, in frames."""
    forms: Annotated[
        tuple[DiscForm, ...],
        BeforeValidator(AtMost(9, "forms").validate),
        BeforeValidator(listed),
        AfterValidator(_with_wav),
    ] = ("wav",)
    """Forms of the image for the plant: wav with its cue sheet, and bin with its own."""
    tail: Seconds = Fraction(0)
    """Silence after the last track."""
    pregap_audio: Line | None = None
    """A file that plays before track 1's index 01: hidden sound, found by rewinding."""
    dither: Dither = "tpdf"
    """tpdf: flat dither. shaped: noise-shaped dither. none: rounding only."""
    master_date: PartialDate | None = None
    """Master date for the PQ sheet; left out, the sheet has room to write it by hand."""
    level: LevelChange | None = None
    """The disc's own level, where it differs."""


class ProofSettings(Section):
    """The proof for the artist."""

    zip_limit: Annotated[float, InRange(1, 2000, "MB")] = 18.0
    """Greatest size of proof.zip, in millions of bytes: its audio is encoded to fit."""


class Audio(SoundFiles):
    """A source: one file, or one mono file per channel."""

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


class Track(TrackDetails):
    """One track: its source, its processing and its metadata."""

    title: Line
    """The title, without its version."""
    audio: Audio | None = None
    """The recording: one file, or one mono file per channel."""
    side: Line | None = Field(default=None, alias="from")
    """The side of `transfers` that the track is on, in place of `audio`."""
    start: Seconds | None = None
    """Start of the track in the recording."""
    end: Seconds | None = None
    """End of the track in the recording."""
    recorded: PartialDate | None = None
    """When it was recorded: a year, a month or a day."""
    recorded_at: Line | None = None
    """Where it was recorded."""
    isrc: Isrc | None = None
    """The ISRC that its owner assigned; never invented here."""
    gap: GapTime | None = None
    """Silence before this track; 0 is a segue."""
    overlap: Seconds | None = None
    """Length of a crossfade with the track before."""
    indexes: Annotated[
        tuple[Seconds, ...], BeforeValidator(AtMost(999, "index points").validate)
    ] = ()
    """Index points 02, 03 and so on, from the start of the track."""
    copy_permitted: YesNo = False
    """The disc's digital-copy-permitted flag."""
    pre_emphasis: YesNo = False
    """The disc's pre-emphasis flag; the sound itself is not changed."""
    trim: Decibels = 0.0
    """Gain on top of the match, dB."""
    fade_in: Seconds | None = None
    """Length of the fade-in; default 0, or 10 ms on a side (over hiss up to 0.5 s)."""
    fade_out: Seconds | None = None
    """Length of the fade-out; default 0, or 50 ms on a side (over hiss up to 0.5 s)."""
    fade_shape: FadeShape = "equal_power"
    """Curve of both fades."""
    equaliser: Annotated[tuple[Band, ...], BeforeValidator(AtMost(100, "bands").validate)] = ()
    """EQ bands, in order."""
    mono_below: MonoHertz | None = None
    """Corner of a 24 dB/octave high-pass on the side, after the EQ bands: mono below it, Hz."""
    tone_like: TrackNumber | None = None
    """The number in this list of the track whose long-term spectrum it is matched to, by EQ."""
    tone: Literal["album"] | None = None
    """Matches its long-term spectrum to the mean of all tracks, by EQ."""
    compress: Compress | None = None
    """A compressor, after the EQ."""
    clip: ClipDepth | None = None
    """A soft clipper before the limiter: maximum reduction of peaks, dB."""
    artist: Line | None = None
    """The track's artist, where it is not the release's."""
    version: Line | None = None
    """"live", "2027 remaster"."""
    composers: Names = ()
    """Who composed it."""
    lyricists: Names = ()
    """Who wrote the lyrics."""
    arrangers: Names = ()
    """Who arranged it."""
    publisher: Line | None = None
    """Who publishes the work."""
    lyrics: Paragraphs | None = None
    """The lyrics."""
    comment: Paragraphs | None = None
    """A comment for the tags."""
    disc: DiscNumber | None = None
    """The disc that the track is on; left out, the disc of the track before."""
    on: Annotated[
        tuple[Line, ...],
        BeforeValidator(AtMost(99, "editions").validate),
        BeforeValidator(at_least_one),
        BeforeValidator(listed),
    ] = ()
    """The editions that have the track: `disc`, `download` (all sets), or a download set's name;
    left out, all of them."""
    version_of: TrackNumber | None = None
    """The number in this list of the track that this is an edit, instrumental or clean version
    of."""
    cd_text: DiscText | None = None
    """The track's texts on the disc, where they differ."""

    @model_validator(mode="after")
    def _one_source(self) -> Track:
        if self.audio is None and self.side is None:
            raise refusal(NO_SOURCE, "`audio` is missing or empty: add `audio: …` here")
        if self.audio is not None and self.side is not None:
            raise refusal("two-sources", "the track has both `audio` and `from`: keep one")
        return self

    @model_validator(mode="after")
    def _one_reference(self) -> Track:
        if self.tone_like is not None and self.tone is not None:
            raise refusal("two-references", "the track has `tone_like` and `tone`: keep one")
        return self

    @property
    def full_title(self) -> str:
        """The title with featured artists and the version in brackets.

        The first in round and the next in square ones (Apple's music style guide).
        """
        texts = [self.version] if self.version else []
        if self.featuring:
            *others, last = self.featuring
            texts.insert(0, f"feat. {', '.join(others)} & {last}" if others else f"feat. {last}")
        brackets = ("({})", "[{}]")
        return " ".join([self.title, *map(str.format, brackets, texts)])


class Credit(Section):
    """Who did what, on which tracks; without tracks, on the whole release."""

    name: Line
    """A person or a group."""
    roles: Names
    """What they did."""
    tracks: Annotated[tuple[TrackNumber, ...], BeforeValidator(listed)] = ()
    """Track numbers; left out, the whole release."""


class SleeveText(Section):
    """Text for the sleeve."""

    notes: Paragraphs | None = None
    """Sleeve notes."""
    thanks: Paragraphs | None = None
    """Thanks."""


def _opening_discs(tracks: tuple[Track, ...]) -> tuple[Track, ...]:
    """Keep `disc` on the first track of each disc only: on the others it adds nothing."""
    kept, current = [], None
    for track in tracks:
        repeated = track.disc is not None and track.disc == current
        current = track.disc or current or 1
        kept.append(track.model_copy(update={"disc": None}) if repeated else track)
    return tuple(kept)


class Manifest(Section):
    """A release in one file."""

    release: Release
    """The release as a whole."""
    level: Level = Level()
    """Loudness target and true-peak ceiling."""
    disc: DiscSettings = DiscSettings()
    """The disc."""
    download: Annotated[
        tuple[DownloadSettings, ...],
        BeforeValidator(AtMost(20, "download sets").validate),
        SetsOrOne(),
        AfterValidator(with_distinct_names),
    ] = (DownloadSettings(),)
    """Files for listeners and shops: one set, or a list of sets with names."""
    proof: ProofSettings = ProofSettings()
    """The proof for the artist."""
    transfers: dict[Line, Transfer] = Field(default_factory=dict)
    """Tape sides by name."""
    tracks: Annotated[
        tuple[Track, ...],
        BeforeValidator(AtMost(999, "tracks").validate),
        BeforeValidator(at_least_one),
        AfterValidator(_opening_discs),
    ]
    """The tracks in playing order."""
    credits: Annotated[tuple[Credit, ...], BeforeValidator(AtMost(2000, "credits").validate)] = ()
    """Who did what."""
    text: SleeveText = SleeveText()
    """Text for the sleeve."""
    sleeve: Sleeve | None = None
    """The printed parts."""

    def download_set(self, edition: str) -> DownloadSettings:
        """Return a download set."""
        return next(one for one in self.download if one.edition == edition)

    @property
    def made_sets(self) -> tuple[DownloadSettings, ...]:
        """The download sets that have formats."""
        return tuple(one for one in self.download if one.formats)

    @property
    def cover_copy(self) -> str | None:
        """The path in the release of the front cover beside the download files."""
        folder = next((one.folder for one in self.made_sets), None)
        return f"{folder}/cover.jpg" if folder and self.release.front_cover else None

    @property
    def download_folders(self) -> tuple[str, ...]:
        """The folder in `download` of every format of every set."""
        return tuple(folder for one in self.download for folder in one.folders)

    def formats_with_places(self) -> Iterator[tuple[tuple[str | int, ...], Format]]:
        """Yield each format of each download set, after its place in the manifest."""
        for one in self.download:
            place = (*self.place_of_set(one.edition), "formats")
            yield from (((*place, index), name) for index, name in enumerate(one.formats))

    def set_at(self, place: tuple[str | int, ...]) -> DownloadSettings:
        """Return the download set at a place in the manifest."""
        return self.download[place[1] if isinstance(place[1], int) else 0]

    def place_of_set(self, edition: str) -> tuple[str | int, ...]:
        """Return where in the manifest a download set is."""
        if self.download[0].name is None:
            return ("download",)
        return ("download", [one.name for one in self.download].index(edition))

    def level_of(self, edition: str) -> Level:
        """Return an edition's level: the release's, with the edition's own changes."""
        change = self.disc.level if edition == DISC else self.download_set(edition).level
        own = change.model_dump(exclude_none=True) if change else {}
        return self.level.model_copy(update=own)

    def level_of_master(self, name: str) -> Level | None:
        """Return the level of ``disc`` or of a folder in `download`; None for a set not there."""
        edition = name if name == DISC else set_of(name)
        known = edition in (DISC, *(one.edition for one in self.download))
        return self.level_of(edition) if known else None

    def paths_of(self, track: Track) -> tuple[str, ...]:
        """Return the files of a track: its own, or those of its side."""
        if track.audio is not None:
            return track.audio.paths
        return self.transfers[track.side].paths if track.side else ()

    def artist_of(self, track: Track) -> str:
        """Return the track's artist, or the release's where the track has none."""
        return track.artist or self.release.artist
