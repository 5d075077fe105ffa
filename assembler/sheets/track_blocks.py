"""Track-by-track blocks of the credits sheet: lists, writers, places, codes, texts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import groupby

from assembler.manifest.codes import isrc_text
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata
from assembler.sheets.people import authors, group_of, tracks_text
from assembler.text import date_text, duration_text
from assembler.typeset.blocks import Block, Item, Row, Subtitle, Verse, prose, stanzas

NO_ISRC = "ISRC: none assigned"
TOTAL = "Total time, without gaps"


def by_group(tracks: Sequence[TrackMetadata]) -> list[tuple[str, list[TrackMetadata]]]:
    """Group tracks by their disc; those that are not on it follow."""
    return [(name, list(group)) for name, group in groupby(tracks, key=group_of)]


def track_lists(release: Release, tracks: Sequence[TrackMetadata]) -> tuple[Block, ...]:
    """Return each disc's tracks with their durations and the total."""
    return tuple(
        Block(
            f"Track list, {name}" if name else "Track list",
            (
                *(_track_row(release, track) for track in of_group),
                Row(TOTAL, end=total_text(of_group), is_strong=True),
            ),
        )
        for name, of_group in by_group(tracks)
    )


def total_text(tracks: Iterable[TrackMetadata]) -> str:
    """Return the sum of the exact durations."""
    return duration_text(sum(track.duration_s for track in tracks))


def _track_row(release: Release, track: TrackMetadata) -> Row:
    other = (track.artist,) if track.artist != release.artist else ()
    return Row(track.title, str(track.number), duration_text(track.duration_s), other)


def _per_disc(
    tracks: Sequence[TrackMetadata], row: Callable[[TrackMetadata], Row | None]
) -> tuple[Item, ...]:
    """Return the rows of tracks, under a title per disc where there are several."""
    items: list[Item] = []
    for name, of_group in by_group(tracks):
        rows = list(filter(None, map(row, of_group)))
        items += [Subtitle(capitalised(name)), *rows] if name and rows else rows
    return tuple(items)


def capitalised(text: str) -> str:
    """Return a text with a capital letter in front."""
    return f"{text[:1].upper()}{text[1:]}"


def writers_items(tracks: Sequence[TrackMetadata]) -> tuple[Item, ...]:
    """Return the writers of each track."""
    return _per_disc(tracks, _writers_row)


def _writers_row(track: TrackMetadata) -> Row | None:
    text = writers_text(track)
    return Row(track.title, str(track.number), details=(text,)) if text else None


def writers_text(track: TrackMetadata) -> str:
    """Return ``Words: Oda Brenn; music: Ines Falk; publisher: Tidewrack Songs``, or nothing."""
    arranged = ("arranged by", ", ".join(track.arrangers))
    parts = [*authors(track), arranged, ("publisher", track.publisher or "")]
    text = "; ".join(f"{label}: {names}" for label, names in parts if names)
    return capitalised(text)


def isrc_items(tracks: Sequence[TrackMetadata]) -> tuple[Item, ...]:
    """Return each track's ISRC, or that none is assigned."""
    return _per_disc(tracks, _isrc_row)


def _isrc_row(track: TrackMetadata) -> Row:
    isrc = f"ISRC {isrc_text(track.isrc)}" if track.isrc else NO_ISRC
    return Row(track.title, str(track.number), isrc, is_strong=not track.isrc)


def recorded_rows(tracks: Sequence[TrackMetadata]) -> tuple[Row, ...]:
    """Return dates and places of recording, each with its tracks."""
    groups: dict[tuple[str | None, str | None], list[TrackMetadata]] = {}
    for track in tracks:
        if track.recorded or track.recorded_at:
            groups.setdefault((track.recorded, track.recorded_at), []).append(track)
    return tuple(
        Row(_recorded_text(group, tracks, when_and_where(*place)))
        for place, group in groups.items()
    )


_PREPOSITIONS = frozenset(("aboard", "at", "by", "in", "inside", "near", "off", "on", "under"))


def when_and_where(date: str | None, place: str | None) -> str:
    """Return date and place of a recording, as far as they are known.

    Examples
    --------
    >>> when_and_where("2026-02", "Boathouse Hall"), when_and_where("1968", "on the ferry")
    ('February 2026 at Boathouse Hall', '1968 on the ferry')
    """
    if place and place.split()[0].lower() not in _PREPOSITIONS:
        place = f"at {place}"
    return " ".join(part for part in (date and date_text(date), place) if part)


def _recorded_text(
    group: Sequence[TrackMetadata], tracks: Sequence[TrackMetadata], when: str
) -> str:
    if len(group) == len(tracks):
        return f"Recorded {when}"
    numbers = tracks_text(group)
    if group_of(group[0]):
        return f"{capitalised(numbers)}, recorded {when}"
    return f"{'Track' if len(group) == 1 else 'Tracks'} {numbers} recorded {when}"


def track_notes(tracks: Sequence[TrackMetadata]) -> tuple[Item, ...]:
    """Return the notes on single tracks."""
    return _under_titles((track, prose(track.comment or "")) for track in tracks)


def lyrics(tracks: Sequence[TrackMetadata]) -> tuple[Item, ...]:
    """Return the lyrics, stanza by stanza."""
    return _under_titles(
        (track, tuple(map(Verse, stanzas(track.lyrics or "")))) for track in tracks
    )


def _under_titles(texts: Iterable[tuple[TrackMetadata, tuple[Item, ...]]]) -> tuple[Item, ...]:
    items: list[Item] = []
    for track, text in texts:
        name = group_of(track)
        place = f"{capitalised(name)}, " if name else ""
        items += [Subtitle(f"{place}{track.number}. {track.title}"), *text] if text else []
    return tuple(items)
