"""The words of a release, put together once for every deliverable that shows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from assembler.manifest import Manifest
from assembler.sequence import DiscOrder
from assembler.text import FRAMES_PER_SECOND

STUDIO_WORDS = frozenset((
    "arranged", "arrangement", "arranger", "artwork", "booklet", "cover", "design", "designer",
    "edited", "editing", "editor", "engineer", "engineering", "illustration", "illustrations",
    "layout", "liner", "mastered", "mastering", "mix", "mixer", "mixing", "notes", "photo",
    "photographer", "photographs", "photography", "photos", "produced", "producer",
    "production", "recording", "recordist", "restoration", "restored", "sleeve", "transfer",
    "transfers", "translated", "translation", "translator", "typesetting",
))  # fmt: skip
"""Words of roles behind the desk or on the sleeve; all other roles are played or sung."""


def is_performer(role: str) -> bool:
    """Tell a role that is played or sung from one behind the desk or on the sleeve.

    Examples
    --------
    >>> is_performer("alto recorder"), is_performer("recording engineer")
    (True, False)
    """
    return STUDIO_WORDS.isdisjoint(role.lower().replace("-", " ").split())


@dataclass(frozen=True)
class Part:
    """Someone's part in a track: a name and what they did."""

    name: str
    role: str


@dataclass(frozen=True)
class TrackMetadata:
    """All that is said about one track.

    Attributes
    ----------
    number, of
        On its disc.
    disc, of_discs
        Its disc.
    running_number
        In the release, from 1.
    duration_s
        Its sound as it stands on the disc.
    file_duration_s
        Its download file: the sound and the gap after it.
    parts
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
    parts: tuple[Part, ...]


def track_metadata(manifest: Manifest, discs: Sequence[DiscOrder]) -> tuple[TrackMetadata, ...]:
    """Give the words of every track, in the manifest's order."""
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
            parts=tuple(
                Part(credit.name, role)
                for credit in manifest.credits
                if not credit.tracks or place.index + 1 in credit.tracks
                for role in credit.roles
            ),
        )
        for disc in discs
        for place, file_frames in zip(disc.places, disc.file_frames, strict=True)
        for track in (manifest.tracks[place.index],)
    )
