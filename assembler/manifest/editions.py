"""The editions of a release: the disc, and each set of download files, each with its own tracks."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence

from assembler.manifest.model import Manifest, Track
from assembler.manifest.sets import DISC, DOWNLOAD
from assembler.text import counted

NUMBER_KEYS = ("version_of", "tone_like")
"""Keys of a track that have another track's number."""


def called(edition: str) -> str:
    """Return what an edition is called in a sentence."""
    names = {DISC: "the disc", DOWNLOAD: "the download"}
    return names.get(edition, f"the download set {edition}")


def editions_of(manifest: Manifest) -> tuple[str, ...]:
    """Return the editions that are made, the disc first; without any, the downloads."""
    disc = (DISC,) if manifest.disc.make else ()
    return (*disc, *(one.edition for one in manifest.made_sets)) or (manifest.download[0].edition,)


def tracks_on(manifest: Manifest, edition: str) -> tuple[int, ...]:
    """Return the indexes of an edition's tracks; `download` on a track names all download sets."""
    names = {edition, DISC if edition == DISC else DOWNLOAD}
    return tuple(
        index
        for index, track in enumerate(manifest.tracks)
        if not track.on or not names.isdisjoint(track.on)
    )


def edition_tracks(manifest: Manifest) -> dict[str, tuple[int, ...]]:
    """Return the indexes of the tracks of each edition that is made."""
    return {edition: tracks_on(manifest, edition) for edition in editions_of(manifest)}


def played_text(manifest: Manifest, played: str | None, shown: Sequence[int]) -> str:
    """Return which editions a proof plays and which it does not; empty if it plays all.

    Parameters
    ----------
    manifest
        The manifest.
    played
        The set whose files are played, which has the tracks of the primary edition; None for copies
        of that edition.
    shown
        Indexes of the tracks that are played.
    """
    editions = edition_tracks(manifest)
    played = played or next(iter(editions))
    own, level = editions[played], manifest.level_of(played)
    whole = [n for n, of in editions.items() if (of, manifest.level_of(n)) == (own, level)]
    firsts = (next(n for n, of in editions.items() if i in of) for i in shown if i not in own)
    parts = Counter(firsts)
    heard = [*map(called, whole)]
    heard += [f"{counted(k, 'track')} of {called(n)}" for n, k in parts.items()]
    silent = [
        f"the rest of {called(n)}" if parts[n] else called(n)
        for n, of in editions.items()
        if n not in whole and parts[n] < len(of)
    ]
    if not silent:
        return ""
    return f"Played here: {', '.join(heard)}. Not played here: {', '.join(silent)}."


def listed_tracks(manifest: Manifest) -> tuple[int, ...]:
    """Return the indexes of all tracks: those of the primary edition, then the others'."""
    return tuple(dict.fromkeys(i for own in edition_tracks(manifest).values() for i in own))


def primary_of(manifest: Manifest) -> Manifest:
    """Return the manifest of the edition that the proof shows: the disc if one is made."""
    return with_tracks(manifest, next(iter(edition_tracks(manifest).values())))


def with_tracks(manifest: Manifest, indices: Sequence[int]) -> Manifest:
    """Return a manifest of some of its tracks, in the order of their indexes.

    Where the track that opens a disc is left out, the next one opens it. Track numbers in credits,
    versions and sides are those of the new list; what belongs to no track of it is left out.
    """
    if [*indices] == [*range(len(manifest.tracks))]:
        return manifest
    numbers = {index + 1: number for number, index in enumerate(indices, 1)}
    kept = _opened(manifest.tracks, frozenset(indices))
    tracks = (
        kept[i].model_copy(
            update={key: numbers.get(getattr(kept[i], key) or 0) for key in NUMBER_KEYS}
        )
        for i in indices
    )
    credits = (
        one.model_copy(update={"tracks": tuple(numbers[n] for n in one.tracks if n in numbers)})
        for one in manifest.credits
        if not one.tracks or not numbers.keys().isdisjoint(one.tracks)
    )
    sleeve = manifest.sleeve
    if sleeve:
        sides = dict.fromkeys(_place_from(indices, number) for number in sleeve.sides)
        own = tuple(number for number in sides if 1 < number <= len(indices))
        sleeve = sleeve.model_copy(update={"sides": own})
    update = {"tracks": tuple(tracks), "credits": tuple(credits), "sleeve": sleeve}
    return manifest.model_copy(update=update)


def _place_from(indices: Sequence[int], number: int) -> int:
    """Return the place of the first track from a number of the whole list on."""
    return bisect_left(sorted(indices), number - 1) + 1


def _opened(tracks: Sequence[Track], kept: frozenset[int]) -> dict[int, Track]:
    """Return tracks by index; the first of each disc has the gap of the one that opened it."""
    found: dict[int, Track] = {}
    opening: Track | None = None
    number = 0
    for index, track in enumerate(tracks):
        if index == 0 or track.disc is not None:
            opening = track
        if index in kept:
            if opening is not None:
                number += 1
                disc = number if number > 1 else None
                own = {"disc": disc, "gap": opening.gap, "overlap": None}
                track = track.model_copy(update=own)
            found[index] = track
            opening = None
    return found
