"""Blocks of the credits sheet that go through the tracks: lists, writers, places, codes, texts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import groupby

from assembler.manifest.codes import isrc_text
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata
from assembler.sheets.people import Person, authors, person_text, tracks_text
from assembler.text import duration_text
from assembler.typeset.blocks import Block, Item, Row, Subtitle, Verse, prose, stanzas

EMPTY_ISRC = "ISRC slot empty"
TOTAL = "Total running time, without pauses"


def by_disc(words: Sequence[TrackMetadata]) -> list[tuple[int, list[TrackMetadata]]]:
    """Group tracks by their disc."""
    return [(disc, list(group)) for disc, group in groupby(words, key=lambda w: w.disc)]


def track_lists(release: Release, words: Sequence[TrackMetadata]) -> tuple[Block, ...]:
    """Give each disc's tracks with their durations, and the sum."""
    discs = by_disc(words)
    return tuple(
        Block(
            "Track list" if len(discs) == 1 else f"Track list, disc {disc}",
            (
                *(_track_row(release, w) for w in on_disc),
                Row(TOTAL, end=total_text(on_disc), is_strong=True),
            ),
        )
        for disc, on_disc in discs
    )


def total_text(words: Iterable[TrackMetadata]) -> str:
    """Give the sum of exact lengths, as a sleeve does."""
    return duration_text(sum(w.duration_s for w in words))


def _track_row(release: Release, words: TrackMetadata) -> Row:
    other = (words.artist,) if words.artist != release.artist else ()
    return Row(words.title, str(words.number), duration_text(words.duration_s), other)


def _per_disc(
    words: Sequence[TrackMetadata], rows: Callable[[Sequence[TrackMetadata]], tuple[Row, ...]]
) -> tuple[Item, ...]:
    discs = by_disc(words)
    if len(discs) == 1:
        return rows(words)
    items: list[Item] = []
    for disc, on_disc in discs:
        of_disc = rows(on_disc)
        items += [Subtitle(f"Disc {disc}"), *of_disc] if of_disc else []
    return tuple(items)


def writers_items(words: Sequence[TrackMetadata]) -> tuple[Item, ...]:
    """Give under each track who wrote it."""
    return _per_disc(words, _writers_rows)


def _writers_rows(words: Sequence[TrackMetadata]) -> tuple[Row, ...]:
    return tuple(
        Row(w.title, label=str(w.number), details=(text,))
        for w in words
        for text in (writers_text(w),)
        if text
    )


def writers_text(words: TrackMetadata) -> str:
    """Write who wrote a track and who publishes it.

    Returns
    -------
    str
        As ``Words: Oda Brenn; music: Ines Falk; publisher: Tidewrack Songs``; empty where nothing
        is known.
    """
    arranged = ("arranged by", ", ".join(words.arrangers))
    parts = [*authors(words), arranged, ("publisher", words.publisher or "")]
    text = "; ".join(f"{label}: {names}" for label, names in parts if names)
    return text[:1].upper() + text[1:]


def isrc_items(words: Sequence[TrackMetadata]) -> tuple[Item, ...]:
    """Give each track's ISRC, or that its slot is empty."""
    return _per_disc(words, _isrc_rows)


def _isrc_rows(words: Sequence[TrackMetadata]) -> tuple[Row, ...]:
    return tuple(
        Row(
            w.title,
            str(w.number),
            f"ISRC {isrc_text(w.isrc)}" if w.isrc else EMPTY_ISRC,
            is_strong=not w.isrc,
        )
        for w in words
    )


def recorded_rows(words: Sequence[TrackMetadata]) -> tuple[Row, ...]:
    """Group the tracks by when and where they were recorded."""
    groups: dict[tuple[str | None, str | None], list[TrackMetadata]] = {}
    for w in words:
        if w.recorded or w.recorded_at:
            groups.setdefault((w.recorded, w.recorded_at), []).append(w)
    return tuple(
        Row(f"{_tracks_named(group, words)} recorded {when_and_where(*place)}")
        for place, group in groups.items()
    )


def when_and_where(year: str | None, place: str | None) -> str:
    """Write when and where a track was recorded, as far as one knows."""
    return ", ".join(part for part in (year, place) if part) if year else f"at {place}"


def _tracks_named(group: Sequence[TrackMetadata], words: Sequence[TrackMetadata]) -> str:
    if len(group) == len(words) > 1:
        return "All tracks"
    numbers = tracks_text(group)
    if group[0].of_discs > 1:
        return numbers[0].upper() + numbers[1:] + ","
    return f"{'Track' if len(group) == 1 else 'Tracks'} {numbers}"


def people_rows(people: Iterable[Person], words: Sequence[TrackMetadata]) -> tuple[Row, ...]:
    """Give each person with roles and tracks on one line."""
    return tuple(Row(person_text(person, words)) for person in people)


def _heading(words: TrackMetadata) -> Subtitle:
    disc = f"Disc {words.disc}, " if words.of_discs > 1 else ""
    return Subtitle(f"{disc}{words.number}. {words.title}")


def track_notes(words: Sequence[TrackMetadata]) -> tuple[Item, ...]:
    """Give the notes on single tracks."""
    items: list[Item] = []
    for w in words:
        items += [_heading(w), *prose(w.comment)] if w.comment else []
    return tuple(items)


def lyrics(words: Sequence[TrackMetadata]) -> tuple[Item, ...]:
    """Give the words that are sung, stanza by stanza."""
    items: list[Item] = []
    for w in words:
        items += [_heading(w), *map(Verse, stanzas(w.lyrics))] if w.lyrics else []
    return tuple(items)
