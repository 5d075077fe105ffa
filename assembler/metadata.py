"""The metadata of a release, collected once for every deliverable that shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from assembler.manifest import Manifest
from assembler.sequence import DiscOrder
from assembler.text import FRAMES_PER_SECOND

_PRODUCTION_WORDS = frozenset((
    "arranged", "arrangement", "arranger", "artwork", "booklet", "cover", "design", "designer",
    "edited", "editing", "editor", "engineer", "engineering", "illustration", "illustrations",
    "layout", "liner", "mastered", "mastering", "mix", "mixer", "mixing", "notes", "photo",
    "photographer", "photographs", "photography", "photos", "produced", "producer",
    "production", "recording", "recordist", "restoration", "restored", "sleeve", "transfer",
    "transfers", "translated", "translation", "translator", "typesetting",
))  # fmt: skip
"""Words in the roles of production and artwork; all other roles are performers'."""


def is_performer(role: str) -> bool:
    """Return whether a role is a performer's, not one of production or artwork.

    Examples
    --------
    >>> is_performer("alto recorder"), is_performer("recording engineer")
    (True, False)
    """
    return _PRODUCTION_WORDS.isdisjoint(role.lower().replace("-", " ").split())


@dataclass(frozen=True)
class RoleCredit:
    """One credit of a track: a name and a role."""

    name: str
    role: str


@dataclass(frozen=True)
class TrackMetadata:
    """The metadata of one track.

    Attributes
    ----------
    number, of
        Its number on its disc, and how many tracks the disc has.
    disc, of_discs
        The number of its disc, and how many discs the release has.
    running_number
        Its number in the release, from 1.
    duration_s
        Length of its sound on the disc.
    file_duration_s
        Length of its download file: the sound and the gap after it.
    credits
        Credits of this track and of the whole release.
    """

    running_number: int
    number: int
    of: int
    disc: int
    of_discs: int
    title: str
    artist: str
    isrc: str | None
    duration_s: Fraction
    file_duration_s: Fraction
    recorded: str | None
    recorded_at: str | None
    composers: tuple[str, ...]
    lyricists: tuple[str, ...]
    arrangers: tuple[str, ...]
    publisher: str | None
    lyrics: str | None
    comment: str | None
    credits: tuple[RoleCredit, ...]


def track_metadata(manifest: Manifest, discs: Sequence[DiscOrder]) -> tuple[TrackMetadata, ...]:
    """Return the metadata of every track, in the manifest's order."""
    return tuple(
        TrackMetadata(
            running_number=place.index + 1,
            number=place.number,
            of=len(disc.places),
            disc=disc.number,
            of_discs=len(discs),
            title=track.full_title,
            artist=manifest.artist_of(track),
            isrc=track.isrc,
            duration_s=Fraction(place.frames, FRAMES_PER_SECOND),
            file_duration_s=Fraction(file_frames, FRAMES_PER_SECOND),
            recorded=track.recorded,
            recorded_at=track.recorded_at,
            composers=track.composers,
            lyricists=track.lyricists,
            arrangers=track.arrangers,
            publisher=track.publisher,
            lyrics=track.lyrics,
            comment=track.comment,
            credits=tuple(
                RoleCredit(credit.name, role)
                for credit in manifest.credits
                if not credit.tracks or place.index + 1 in credit.tracks
                for role in credit.roles
            ),
        )
        for disc in discs
        for place, file_frames in zip(disc.places, disc.file_frames, strict=True)
        for track in (manifest.tracks[place.index],)
    )
