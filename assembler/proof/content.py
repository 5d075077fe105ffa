"""The content of a proof: plain data from a build, with nothing left to compute."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from assembler.findings import Finding
from assembler.metadata import TrackMetadata
from assembler.proof.approval import ApprovedSound
from assembler.proof.curves import Curves, Levels
from assembler.restoration.analysis.dropouts import dropouts_text
from assembler.sequence import DiscOrder, TrackPlace
from assembler.typeset.blocks import Sheet


@dataclass(frozen=True)
class SourceSection:
    """The section of a recording that a track is made from.

    Attributes
    ----------
    files
        Paths in the manifest.
    rate_hz
        Of the recording.
    start_s, end_s
        Start and end in the recording.
    integrated_lufs, range_lu, true_peak_dbtp, crest_db, correlation
        Measured before any gain; None if not measured, or silent.
    """

    files: tuple[str, ...]
    rate_hz: int
    start_s: float
    end_s: float
    integrated_lufs: float | None = None
    range_lu: float | None = None
    true_peak_dbtp: float | None = None
    crest_db: float | None = None
    correlation: float | None = None

    @property
    def measured(self) -> dict[str, float | None]:
        """The measurements, under the keys of the report."""
        return {
            "integrated_lufs": self.integrated_lufs,
            "loudness_range_lu": self.range_lu,
            "true_peak_dbtp": self.true_peak_dbtp,
            "crest_db": self.crest_db,
            "stereo_correlation": self.correlation,
        }


@dataclass(frozen=True)
class Delivered:
    """A track in one deliverable, measured on its final PCM.

    Attributes
    ----------
    gain_db
        Match and trim together.
    most_limiting_db, limited_at_s
        The maximum gain reduction, and its time from the start of the track.
    share_above_1_db, share_above_3_db
        Share of the track with more gain reduction than this.
    mean_limiting_db, limiting_95_db
        The mean gain reduction, and what 95 % of the track's steps don't exceed.
    clipped_db, clipped_share
        The most by which its clipper lowered a sample, and the share of samples that it changed;
        None without one.
    """

    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    gain_db: float
    most_limiting_db: float
    limited_at_s: float
    share_above_1_db: float
    share_above_3_db: float
    mean_limiting_db: float | None = None
    limiting_95_db: float | None = None
    crest_db: float | None = None
    correlation: float | None = None
    clipped_db: float | None = None
    clipped_share: float | None = None

    @classmethod
    def reported(
        cls,
        levels: Mapping[str, Any],
        limiting: Mapping[str, Any],
        clipping: Mapping[str, Any] | None,
    ) -> Delivered:
        """Return it from what the report says of a track's levels, gain reduction and clipper."""
        return cls(
            integrated_lufs=levels["integrated_lufs"],
            range_lu=levels["loudness_range_lu"],
            true_peak_dbtp=levels["true_peak_dbtp"],
            crest_db=levels.get("crest_db"),
            correlation=levels.get("stereo_correlation"),
            gain_db=levels["gain_db"],
            most_limiting_db=limiting["most_db"],
            mean_limiting_db=limiting.get("mean_db"),
            limiting_95_db=limiting.get("db_95"),
            limited_at_s=limiting["at_s"],
            share_above_1_db=limiting["share_above_1_db"],
            share_above_3_db=limiting["share_above_3_db"],
            clipped_db=clipping["most_db"] if clipping else None,
            clipped_share=clipping["share"] if clipping else None,
        )


@dataclass(frozen=True)
class ProofTrack:
    """One track.

    Attributes
    ----------
    metadata
        Titles, names and codes.
    section
        Its source.
    delivered
        Its levels in each deliverable that was made.
    listen
        Path of the file to play, inside the release; None if no format that browsers play was
        made.
    compression
        What the report says of its compressor; None without one.
    tone
        What the report says of its tone match; None without one.
    """

    metadata: TrackMetadata
    section: SourceSection
    delivered: Mapping[str, Delivered]
    listen: str | None = None
    compression: Mapping[str, float | None] | None = None
    tone: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class CurveSegment:
    """Curves of the whole image, or of one track if there is no disc, from a time in the order."""

    start_s: float
    curves: Curves


@dataclass(frozen=True)
class GainReductionCurve:
    """The maximum gain reduction in dB (≥ 0) of each 0.1 s, from a time in the order."""

    start_s: float
    attenuation_db: Levels


@dataclass(frozen=True)
class ProofDisc:
    """One disc; without discs, the running order of the download files.

    Attributes
    ----------
    order
        The places of its tracks.
    stretches
        Its curves over time.
    limit_frames
        The plant's limit; None if there is no disc.
    target_lufs
        Target of the match; None if there is none.
    limiting
        Gain reduction over time, if it was kept; without it the maximum of each track is shown.
    """

    order: DiscOrder
    stretches: tuple[CurveSegment, ...]
    limit_frames: int | None
    target_lufs: float | None
    limiting: tuple[GainReductionCurve, ...] = ()


@dataclass(frozen=True)
class Join:
    """The transition from one track to the next.

    Attributes
    ----------
    name
        Of its clip, without suffix: ``01-02``, or ``1-01-02`` if there are several discs.
    overlap_s
        Length of the crossfade.
    """

    name: str
    before: ProofTrack
    after: ProofTrack
    gap_frames: int
    overlap_s: float


@dataclass(frozen=True)
class SideStep:
    """One step of a side's restoration, measured before and after all steps."""

    done: str
    measure: str | None = None
    before: float | None = None
    after: float | None = None


@dataclass(frozen=True)
class ProofSide:
    """A tape side that tracks are on.

    Attributes
    ----------
    name
        In the manifest.
    files
        Paths in the manifest.
    facts
        Tape, deck, date and operator, as far as known.
    notes
        Paragraphs, empty if none.
    steps
        The steps of its restoration, in order.
    clips
        File name in ``proof/sides`` by label: source, restored, without one step.
    dropouts
        Their number and places; empty if there are none.
    left
        Why a step that was asked for was left out, by its name.
    """

    name: str
    files: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    notes: str
    steps: tuple[SideStep, ...]
    clips: Mapping[str, str]
    dropouts: str = ""
    left: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def reported(cls, side: Mapping[str, Any], clips: Mapping[str, str]) -> ProofSide:
        """Return it from the side's entry in the report, with its clips."""
        names = ("tape", "deck", "transferred", "by")
        facts = tuple((name, side[name]) for name in names if side.get(name))
        steps = tuple(
            SideStep(step["done"], step.get("measure"), step.get("before"), step.get("after"))
            for step in side["steps"]
        )
        files, notes = tuple(side["files"]), side["notes"] or ""
        dropouts = dropouts_text(side["dropouts"])
        left = {step: side.get("reasons", {}).get(step, "") for step in side["unresolved"]}
        return cls(side["name"], files, facts, notes, steps, clips, dropouts, left)


@dataclass(frozen=True)
class Heard:
    """What a page plays: the format in words, the SHA-256 of each track's file, and which editions.

    `editions` is empty if it plays all that there are.
    """

    audio: str
    sha256s: tuple[str, ...]
    editions: str = ""


@dataclass(frozen=True)
class Proof:
    """A finished release to be approved.

    Attributes
    ----------
    name
        Of the release's folder.
    proof_of
        64 hexadecimal digits: a SHA-256 that changes with anything the artist approves, audio
        or text.
    sheet
        The credits sheet.
    tracks
        In the order of the discs; then those that are on other editions only.
    discs
        In order; their places refer to the tracks by index.
    findings
        Of the check and of the build.
    cover
        Path of the front cover inside the release.
    has_clips
        Whether ``proof/joins`` has a clip of each join.
    sides
        The tape sides that tracks are on.
    sound
        What the page hands to the approval file, for a hold.
    changes
        What changed since the proof that was answered, one sentence each.
    heard
        What the page plays, for the approval file.
    base
        The way from the page to the release; empty if its files are beside the page.
    clip_suffix
        Of the clips of joins.
    mail_text
        How the audio of a mailed proof is encoded; empty in the release.
    """

    name: str
    proof_of: str
    sheet: Sheet
    tracks: tuple[ProofTrack, ...]
    discs: tuple[ProofDisc, ...]
    findings: tuple[Finding, ...] = field(default=())
    cover: str | None = None
    has_clips: bool = True
    sides: tuple[ProofSide, ...] = ()
    sound: ApprovedSound | None = None
    changes: tuple[str, ...] = ()
    heard: Heard | None = None
    base: str = "../"
    clip_suffix: str = ".mp3"
    mail_text: str = ""

    @property
    def held(self) -> list[str]:
        """What is held as approved, in findings' words."""
        return [one.message for one in self.findings if one.code in ("held", "held-back")]

    @property
    def deliverables(self) -> tuple[str, ...]:
        """The deliverables that levels are shown for."""
        kinds = dict.fromkeys(kind for track in self.tracks for kind in track.delivered)
        return tuple(kinds)

    @property
    def others(self) -> tuple[ProofTrack, ...]:
        """The tracks that are on no disc of it."""
        return self.tracks[sum(len(disc.order.places) for disc in self.discs) :]

    @property
    def has_before(self) -> bool:
        """Whether the sources were measured."""
        return any(track.section.true_peak_dbtp is not None for track in self.tracks)

    @property
    def has_compression(self) -> bool:
        """Whether any track was compressed."""
        return any(track.compression for track in self.tracks)

    @property
    def has_tone(self) -> bool:
        """Whether the tone of any track was matched."""
        return any(track.tone for track in self.tracks)

    @property
    def has_clipping(self) -> bool:
        """Whether any track has a clipper."""
        made = (one for track in self.tracks for one in track.delivered.values())
        return any(one.clipped_db is not None for one in made)

    def placed(self, disc: ProofDisc) -> Iterator[tuple[TrackPlace, ProofTrack]]:
        """Return a disc's places with their tracks."""
        for place in disc.order.places:
            yield place, self.tracks[place.index]

    def joins(self) -> Iterator[Join]:
        """Return the joins of all discs, in order."""
        for disc in self.discs:
            prefix = f"{disc.order.number}-" if len(self.discs) > 1 else ""
            for (place, before), (next_place, after) in pairwise(self.placed(disc)):
                name = f"{prefix}{place.number:02d}-{next_place.number:02d}"
                overlap_s = overlap_before(disc.order, next_place)
                yield Join(name, before, after, next_place.gap_frames, overlap_s)


def overlap_before(order: DiscOrder, place: TrackPlace) -> float:
    """Return the length of the crossfade before a track, in seconds."""
    sound = order.sounds[place.number - 1]
    return float(sound.overlap_s)
