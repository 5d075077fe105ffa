"""Track-by-track blocks of the credits sheet: lists, writers, places, codes, texts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import groupby

from assembler.manifest.codes import isrc_text
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata
from assembler.sheets.people import authors, tracks_text
from assembler.text import date_text, duration_text
from assembler.typeset.blocks import Block, Item, Row, Subtitle, Verse, prose, stanzas

NO_ISRC = "ISRC: none assigned"
TOTAL = "Total time, without gaps"


def by_disc(tracks: Sequence[TrackMetadata]) -> list[tuple[int, list[TrackMetadata]]]:
    """Group tracks by their disc."""
    return [(disc, list(group)) for disc, group in groupby(tracks, key=lambda track: track.disc)]


def track_lists(release: Release, tracks: Sequence[TrackMetadata]) -> tuple[Block, ...]:
    """Return each disc's tracks with their durations and the total."""
    discs = by_disc(tracks)
    return tuple(
        Block(
            "Track list" if len(discs) == 1 else f"Track list, disc {disc}",
            (
                *(_track_row(release, track) for track in on_disc),
                Row(TOTAL, end=total_text(on_disc), is_strong=True),
            ),
        )
        for disc, on_disc in discs
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
    discs = [(disc, list(filter(None, map(row, of_disc)))) for disc, of_disc in by_disc(tracks)]
    if len(discs) == 1:
        return tuple(discs[0][1])
    items: list[Item] = []
    for disc, rows in discs:
        items += [Subtitle(f"Disc {disc}"), *rows] if rows else []
    return tuple(items)


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
    return text[:1].upper() + text[1:]


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
    if group[0].of_discs > 1:
        return f"{numbers[0].upper()}{numbers[1:]}, recorded {when}"
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
        disc = f"Disc {track.disc}, " if track.of_discs > 1 else ""
        items += [Subtitle(f"{disc}{track.number}. {track.title}"), *text] if text else []
    return tuple(items)
