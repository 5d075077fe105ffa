"""The metadata of a release, collected once for every deliverable that shows it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from assembler.manifest import Manifest, Track
from assembler.manifest.details import Publisher, TrackDetails
from assembler.manifest.iso_codes import NO_LANGUAGE
from assembler.manifest.model import Credit, Release
from assembler.manifest.sets import DISC, DOWNLOAD
from assembler.sequence import DiscOrder
from assembler.text import FRAMES_PER_SECOND

VARIOUS_ARTISTS = "Various Artists"
MOST_PRIMARY_ARTISTS = 3
"""With more, shops list a release under `VARIOUS_ARTISTS` (Ingrooves, iMusician)."""
_ROLES = {
    "conductor": "conductor", "orchestra": "orchestra", "soloists": "soloist",
    "featuring": "featured artist", "remixers": "remixer",
}  # fmt: skip
"""Keys of a track that name people, and the role of each."""


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
    album_artist, is_compilation
        The artist that shops list the release under, and whether it is a compilation.
    publisher
        Names of all its publishers.
    details
        What shops and societies ask for; where the track has none, the release's.
    credits
        Credits of this track and of the whole release.
    only_on
        The editions that it is on, if it is not on all.
    group
        ``download only`` for a track that is listed after those of the disc.
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
    album_artist: str
    is_compilation: bool
    details: TrackDetails
    credits: tuple[RoleCredit, ...]
    only_on: str = field(default="", repr=False)  # a proof's digest is that of the other fields
    group: str = field(default="", repr=False)


def primary_artists(manifest: Manifest) -> tuple[str, ...]:
    """Return the artists of the tracks, each once."""
    return tuple(dict.fromkeys(map(manifest.artist_of, manifest.tracks)))


def album_artist(manifest: Manifest) -> str:
    """Return the artist that shops list a release under: its own, or Various Artists."""
    several = len(primary_artists(manifest)) > MOST_PRIMARY_ARTISTS
    is_various = several and manifest.release.compilation is not False
    return VARIOUS_ARTISTS if is_various else manifest.release.artist


def is_compilation(manifest: Manifest) -> bool:
    """Return whether a release is a compilation: as it says, else by its artists."""
    own = manifest.release.compilation
    return album_artist(manifest) == VARIOUS_ARTISTS if own is None else own


def all_credits(manifest: Manifest) -> tuple[Credit, ...]:
    """Return the credits, and those that tracks have in keys of their own, such as `conductor`."""
    tracks: dict[tuple[str, str], list[int]] = {}
    for number, track in enumerate(manifest.tracks, 1):
        for key, role in _ROLES.items():
            for name in getattr(track, key):
                tracks.setdefault((name, role), []).append(number)
    own = (
        Credit(name=name, roles=(role,), tracks=tuple(numbers))
        for (name, role), numbers in tracks.items()
    )
    return (*manifest.credits, *own)


def details_of(release: Release, track: Track) -> TrackDetails:
    """Return a track's details; what it has none of is the release's."""
    own = {name: getattr(track, name) for name in TrackDetails.model_fields}
    language = track.language or (NO_LANGUAGE if track.instrumental else release.language)
    publishers = (Publisher(name=track.publisher),) if track.publisher else ()
    defaults = {
        "language": language,
        "lyrics_language": None if language == NO_LANGUAGE else language,
        "advisory": release.advisory,
        "genre": release.genre,
        "publishers": publishers,
        "p_line": release.p_line,
        "original_release_date": release.original_release_date,
    }
    own |= {name: own[name] or default for name, default in defaults.items()}
    return TrackDetails.model_construct(None, **own)


def track_metadata(manifest: Manifest, discs: Sequence[DiscOrder]) -> tuple[TrackMetadata, ...]:
    """Return the metadata of every track, in the manifest's order."""
    credits = all_credits(manifest)
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
            publisher=", ".join(publisher.name for publisher in details.publishers) or None,
            lyrics=track.lyrics,
            comment=track.comment,
            album_artist=album_artist(manifest),
            is_compilation=is_compilation(manifest),
            details=details,
            credits=tuple(
                dict.fromkeys(
                    RoleCredit(credit.name, role)
                    for credit in credits
                    if not credit.tracks or place.index + 1 in credit.tracks
                    for role in credit.roles
                )
            ),
        )
        for disc in discs
        for place, file_frames in zip(disc.places, disc.file_frames, strict=True)
        for track in (manifest.tracks[place.index],)
        for details in (details_of(manifest.release, track),)
    )


def printed_tracks(
    manifest: Manifest, orders: Mapping[str, Sequence[DiscOrder]]
) -> tuple[TrackMetadata, ...]:
    """Return what sheets list: the tracks of the disc, then those on other editions only.

    Parameters
    ----------
    manifest
        The whole manifest.
    orders
        The running order of each edition, the primary one first; places count the whole manifest.
    """
    of_edition = {name: track_metadata(manifest, discs) for name, discs in orders.items()}
    found: dict[int, TrackMetadata] = {}
    names: dict[int, list[str]] = {}
    for name, tracks in of_edition.items():
        for track in tracks:
            found.setdefault(track.running_number, track)
            names.setdefault(track.running_number, []).append(name)
    primary = next(iter(orders))
    return tuple(
        replace(track, only_on=only_on, group=f"{only_on} only" if primary not in on else "")
        for number, track in found.items()
        for on in (names[number],)
        for only_on in (_editions_text(on, [*orders]),)
    )


def _editions_text(names: Sequence[str], editions: Sequence[str]) -> str:
    """Return the names of editions; all sets together are the download; nothing for all."""
    if len(names) == len(editions):
        return ""
    sets = [name for name in editions if name != DISC]
    return DOWNLOAD if [*names] == sets else " and ".join(names)
