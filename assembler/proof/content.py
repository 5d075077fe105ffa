"""What a proof shows: plain data that a build has at hand, with nothing left to work out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from assembler.findings import Finding
from assembler.metadata import TrackMetadata
from assembler.proof.curves import Curves, Levels
from assembler.sequence import DiscOrder, TrackPlace
from assembler.typeset.blocks import Sheet

Deliverable = Literal["disc", "download"]


@dataclass(frozen=True)
class Section:
    """Where a track's sound comes from.

    Attributes
    ----------
    files
        As the manifest names them.
    rate_hz
        Of the recording.
    start_s, end_s
        The stretch of it that was taken.
    integrated_lufs, range_lu, true_peak_dbtp
        Measured on that stretch before any gain; None where it was not, or is silent.
    """

    files: tuple[str, ...]
    rate_hz: int
    start_s: float
    end_s: float
    integrated_lufs: float | None = None
    range_lu: float | None = None
    true_peak_dbtp: float | None = None

    @property
    def measured(self) -> dict[str, float | None]:
        """What was measured, as the report tells it."""
        return {
            "integrated_lufs": self.integrated_lufs,
            "loudness_range_lu": self.range_lu,
            "true_peak_dbtp": self.true_peak_dbtp,
        }


@dataclass(frozen=True)
class Delivered:
    """A track as one deliverable has it, measured on its finished words.

    Attributes
    ----------
    gain_db
        Match and trim together.
    most_limiting_db, limited_at_s
        The deepest gain reduction, and when, from the start of the track.
    share_above_1_db, share_above_3_db
        Of the track's time.
    """

    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    gain_db: float
    most_limiting_db: float
    limited_at_s: float
    share_above_1_db: float
    share_above_3_db: float


@dataclass(frozen=True)
class ProofTrack:
    """One track.

    Attributes
    ----------
    words
        All that is said about it.
    section
        Its source.
    delivered
        Its levels in each deliverable that was made.
    listen
        The file to play, by its path inside the release; None where no format was made that
        browsers play.
    """

    words: TrackMetadata
    section: Section
    delivered: Mapping[Deliverable, Delivered]
    listen: str | None = None


@dataclass(frozen=True)
class Stretch:
    """Curves of the whole image, or without a disc of one track, from a time of the order on."""

    start_s: float
    curves: Curves


@dataclass(frozen=True)
class GainReductionCurve:
    """The deepest gain reduction in dB (≥ 0) of each 0.1 s, from a time of the order on."""

    start_s: float
    attenuation_db: Levels


@dataclass(frozen=True)
class ProofDisc:
    """One disc; without discs, the running order of the download files.

    Attributes
    ----------
    order
        Where its tracks lie.
    stretches
        Its sound over time.
    limit_frames
        The plant's limit; None without a disc.
    target_lufs
        What the match aims at; None without a match.
    limiting
        Over time, where it was kept; the deepest point of each track is shown without it.
    """

    order: DiscOrder
    stretches: tuple[Stretch, ...]
    limit_frames: int | None
    target_lufs: float | None
    limiting: tuple[GainReductionCurve, ...] = ()


@dataclass(frozen=True)
class Join:
    """Where one track goes over into the next.

    Attributes
    ----------
    name
        Of its clip, without ending: ``01-02``, or ``1-01-02`` where there are several discs.
    overlap_s
        How long both sound together.
    """

    name: str
    before: ProofTrack
    after: ProofTrack
    gap_frames: int
    overlap_s: float


@dataclass(frozen=True)
class SideStep:
    """One step of a side's mending, with what was measured before and after it all."""

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
        As the manifest names it.
    files
        As the manifest names them.
    facts
        What is known of it: tape, deck, date, by whom.
    notes
        Paragraphs, empty if none.
    steps
        What was mended, in order.
    clips
        File name in ``proof/sides`` by what it is: as it came, mended, without a step.
    dropouts
        How many there are on the tape and where; empty if none was found.
    """

    name: str
    files: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    notes: str
    steps: tuple[SideStep, ...]
    clips: Mapping[str, str]
    dropouts: str = ""


@dataclass(frozen=True)
class Proof:
    """A finished release to be approved.

    Attributes
    ----------
    name
        Of the release's folder.
    proof_of
        64 hexadecimal digits: a SHA-256 that changes when anything changes which the artist
        approves, sound or words.
    sheet
        The credits sheet: the words in the order in which they are printed.
    tracks
        In the manifest's order.
    discs
        In order; their places name the tracks by index.
    findings
        Of the check and of the build.
    cover
        The front cover's path inside the release.
    has_clips
        Whether a clip of each join lies in ``proof/joins``.
    sides
        The tape sides that tracks are on.
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

    @property
    def deliverables(self) -> tuple[Deliverable, ...]:
        """What levels are told of."""
        kinds: tuple[Deliverable, ...] = ("disc", "download")
        return tuple(k for k in kinds if all(k in track.delivered for track in self.tracks))

    @property
    def has_before(self) -> bool:
        """Whether the sources were measured."""
        return any(track.section.true_peak_dbtp is not None for track in self.tracks)

    def placed(self, disc: ProofDisc) -> Iterator[tuple[TrackPlace, ProofTrack]]:
        """Give a disc's places with their tracks."""
        for place in disc.order.places:
            yield place, self.tracks[place.index]

    def joins(self) -> Iterator[Join]:
        """Give the joins of all discs, in order."""
        for disc in self.discs:
            prefix = f"{disc.order.number}-" if len(self.discs) > 1 else ""
            for (place, before), (next_place, after) in pairwise(self.placed(disc)):
                name = f"{prefix}{place.number:02d}-{next_place.number:02d}"
                overlap_s = overlap_before(disc.order, next_place)
                yield Join(name, before, after, next_place.gap_frames, overlap_s)


def overlap_before(order: DiscOrder, place: TrackPlace) -> float:
    """Give the seconds that a track sounds together with the one before it."""
    sound = order.sounds[place.number - 1]
    return float(sound.overlap_s)
