"""The editions of a release, each as a release of its own tracks; and where they break a join."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby, pairwise

from assembler.errors import FindingsError
from assembler.findings import Finding, Loc
from assembler.manifest import Manifest, ManifestFile
from assembler.manifest.editions import called, edition_tracks, with_tracks
from assembler.manifest.sets import DISC
from assembler.preflight.section_findings import POINT_DISTANCE_S
from assembler.preflight.sections import track_sounds
from assembler.preflight.track_section import TrackSection
from assembler.sequence import DiscOrder, Passage, TrackPlace, lay_out
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sequence.order import OPENING_PAUSE_S, placed_at
from assembler.text import frames_text, number_ranges


@dataclass(frozen=True)
class Edition:
    """One or more editions with the same tracks.

    Attributes
    ----------
    manifest
        With its tracks alone.
    tracks
        The index in the whole manifest of each of its tracks.
    sections
        One per track; their index is that in the whole manifest.
    discs
        The running order; the index of a place counts its own tracks.
    hidden
        The sound before track 1, if there is any.
    """

    manifest: Manifest
    tracks: tuple[int, ...]
    sections: tuple[TrackSection, ...]
    discs: tuple[DiscOrder, ...]
    hidden: TrackSection | None

    @property
    def passages(self) -> tuple[Passage, ...]:
        """All passages of all discs."""
        return tuple(passage for disc in self.discs for passage in disc.passages)

    def sections_of(self, passage: Passage) -> tuple[TrackSection, ...]:
        """Return the sections of a passage's tracks."""
        return tuple(self.sections[place.index] for place in passage.places)

    @property
    def discs_in_manifest(self) -> tuple[DiscOrder, ...]:
        """The running order; the index of a place is that in the whole manifest."""
        if self.tracks == tuple(range(len(self.tracks))):
            return self.discs
        return tuple(placed_at(disc, self.tracks) for disc in self.discs)


def find_editions(
    source: ManifestFile, sections: Sequence[TrackSection], hidden: TrackSection | None
) -> tuple[dict[str, Edition], list[Finding]]:
    """Lay out every edition that is made; those with the same tracks are one.

    Parameters
    ----------
    source
        The manifest.
    sections
        All its tracks.
    hidden
        The sound before track 1 of the disc.

    Returns
    -------
    editions, findings
        By name, the disc first; no editions where there is an error.
    """
    found: dict[str, Edition] = {}
    by_tracks: dict[tuple[int, ...], Edition] = {}
    findings: list[Finding] = []
    for name, tracks in edition_tracks(source.manifest).items():
        if tracks not in by_tracks:
            try:
                edition = _edition(source, name, tracks, sections, None if by_tracks else hidden)
            except FindingsError as error:
                return {}, [*error.findings]
            by_tracks[tracks] = edition
            findings += _broken_joins(source, name, edition)
        found[name] = by_tracks[tracks]
    return found, findings


def orders_in(editions: Mapping[str, Edition]) -> dict[str, tuple[DiscOrder, ...]]:
    """Return the running order of each edition by its name; places count the whole manifest."""
    return {name: edition.discs_in_manifest for name, edition in editions.items()}


def _edition(
    source: ManifestFile,
    name: str,
    tracks: tuple[int, ...],
    sections: Sequence[TrackSection],
    hidden: TrackSection | None,
) -> Edition:
    """Return an edition.

    Raises
    ------
    FindingsError
        It has no track, or an overlap of it is longer than the track that is now before it.
    """
    manifest = with_tracks(source.manifest, tracks)
    if not tracks:
        is_disc = name == DISC
        remedy = "set `disc.make: false`" if is_disc else "remove the set's formats"
        loc: Loc = ("disc",) if is_disc else manifest.place_of_set(name)
        message = f"no track is on {called(name)}: correct the tracks’ `on`, or {remedy}"
        raise FindingsError([source.finding("error", "empty-edition", loc, message)])
    own = tuple(
        replace(sections[index], track=track)
        for index, track in zip(tracks, manifest.tracks, strict=True)
    )
    if too_long := list(_room_findings(source, name, own)):
        raise FindingsError(too_long)
    return _laid_out(manifest, tracks, own, hidden)


def _laid_out(
    manifest: Manifest,
    tracks: tuple[int, ...],
    sections: tuple[TrackSection, ...],
    hidden: TrackSection | None,
) -> Edition:
    discs = lay_out(
        track_sounds(manifest, sections),
        hidden_samples=hidden.samples_at(DISC_RATE_HZ) if hidden and sections else 0,
        tail_s=manifest.disc.tail,
    )
    return Edition(manifest, tracks, sections, discs, hidden)


def partial_editions(
    source: ManifestFile, sections: Mapping[int, TrackSection]
) -> dict[str, Edition]:
    """Lay out every edition with some of its tracks; one may have none.

    Parameters
    ----------
    source
        The manifest.
    sections
        Tracks by index; the others are left out, and the next one begins after a gap.
    """
    found = {}
    for name, tracks in edition_tracks(source.manifest).items():
        own = tuple(index for index in tracks if index in sections)
        alone = {after for before, after in pairwise(tracks) if before not in sections}
        alone |= {after.index for _, after in _without_room([sections[index] for index in own])}
        manifest = with_tracks(source.manifest, own)
        parted = tuple(
            track.model_copy(update={"overlap": None, "gap": OPENING_PAUSE_S})
            if index in alone
            else track
            for index, track in zip(own, manifest.tracks, strict=True)
        )
        manifest = manifest.model_copy(update={"tracks": parted})
        of_own = (
            replace(sections[index], track=track) for index, track in zip(own, parted, strict=True)
        )
        found[name] = _laid_out(manifest, own, tuple(of_own), None)
    return found


def placement_findings(source: ManifestFile) -> Iterator[Finding]:
    """Find tracks that are on no edition that is made."""
    editions = edition_tracks(source.manifest)
    somewhere = {index for tracks in editions.values() for index in tracks}
    for index, track in enumerate(source.manifest.tracks):
        if index not in somewhere:
            message = (
                f"track {index + 1} is on {' and '.join(track.on)} only, and the release is made "
                f"for {' and '.join(editions)}: correct `on`, or remove the track"
            )
            yield source.finding("error", "track-on-nothing", ("tracks", index, "on"), message)


def share_an_edition(manifest: Manifest, one: int, other: int) -> bool:
    """Return whether two tracks are on the same edition, by their indexes."""
    return any({one, other} <= {*tracks} for tracks in edition_tracks(manifest).values())


def _room_findings(
    source: ManifestFile, name: str, sections: Sequence[TrackSection]
) -> Iterator[Finding]:
    """Find overlaps too long for a track that comes before them on this edition alone."""
    for before, after in _without_room(sections):
        message = (
            f"on {called(name)} track {after.index + 1} follows track {before.index + 1}, "
            "which is too short for the overlap: shorten it, or have the tracks between on "
            f"{called(name)} too"
        )
        loc = ("tracks", after.index, "overlap")
        yield source.finding("error", "overlap-too-long", loc, message)


def _without_room(
    sections: Sequence[TrackSection],
) -> Iterator[tuple[TrackSection, TrackSection]]:
    """Find tracks too short for the overlap of the next, which is not so in the manifest."""
    for before, after in pairwise(sections):
        overlap = after.track.overlap
        if not overlap or after.index == before.index + 1:
            continue
        free_s = before.duration_s - (before.track.overlap or Fraction(0))
        points = before.track.indexes
        if overlap >= free_s or (
            points and points[-1] + POINT_DISTANCE_S > before.duration_s - overlap
        ):
            yield before, after


def _broken_joins(source: ManifestFile, name: str, edition: Edition) -> Iterator[Finding]:
    """Warn where an edition lacks a track that is joined to one it has."""
    places = {place.index: place for disc in edition.discs_in_manifest for place in disc.places}
    joined = _joined(source.manifest)
    absent = [index for index in range(len(source.manifest.tracks)) if index not in places]
    for _, group in groupby(enumerate(absent), lambda pair: pair[1] - pair[0]):
        run = [index for _, index in group]
        first, after = run[0], run[-1] + 1
        texts = []
        if first in joined and first - 1 in places:
            texts.append(f"track {first} ends without its join to track {first + 1}")
        if after in joined and after in places:
            texts.append(f"track {after + 1} {_begins(places[after], places, first - 1)}")
        if not texts:
            continue
        numbers = number_ranges(index + 1 for index in run)
        message = (
            f"{called(name)} has no track{'s' * (len(run) > 1)} {numbers}, so {' and '.join(texts)}"
            ": listen to it; for another start, end or gap on one edition, write the track twice, "
            "each with its own `on`"
        )
        yield source.finding("warning", "join-on-one-edition", ("tracks", first, "on"), message)


def _begins(place: TrackPlace, places: Mapping[int, TrackPlace], before: int) -> str:
    if place.number == 1 or before not in places:
        return "begins without its join"
    if place.gap_frames:
        return f"begins after a gap of {frames_text(place.gap_frames)}"
    return f"is joined to track {before + 1}"


def _joined(manifest: Manifest) -> frozenset[int]:
    """Return the tracks that begin without a gap after the track before them."""
    return frozenset(
        index
        for index, track in enumerate(manifest.tracks)
        if index
        and track.disc is None
        and (track.overlap or (manifest.disc.gap if track.gap is None else track.gap) == 0)
    )
