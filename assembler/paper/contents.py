"""What stands on the credits sheet, block after block.

Which blocks a sleeve carries is common practice, with no published source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import groupby

from assembler.manifest import Manifest
from assembler.manifest.codes import isrc_text
from assembler.manifest.model import Release
from assembler.manifest.times import duration_text
from assembler.paper.blocks import Block, Item, Row, Sheet, Subtitle, Verse, prose, stanzas
from assembler.paper.missing import missing_block
from assembler.paper.people import Person, performers, person_text, production, tracks_text
from assembler.words import TrackWords

EMPTY_ISRC = "ISRC slot empty"


def credits_sheet(manifest: Manifest, words: Sequence[TrackWords]) -> Sheet:
    """Put together the blocks of the credits sheet.

    Parameters
    ----------
    manifest
        The release.
    words
        Of every track, in order.

    Returns
    -------
    Sheet
        Its last block names what is still missing.
    """
    release = manifest.release
    blocks = (
        *_track_lists(release, words),
        Block("Words and music", _per_disc(words, _writers_rows)),
        Block("ISRC", _per_disc(words, _isrc_rows)),
        Block("Recorded", _recorded(words)),
        Block("Performers", _people(performers(manifest.credits, words), words)),
        Block("Production", _people(production(manifest.credits, words), words)),
        Block("Notes", prose(manifest.text.notes or "")),
        Block("Notes on the tracks", _track_notes(words)),
        Block("Thanks", prose(manifest.text.thanks or "")),
        Block("Lyrics", _lyrics(words)),
        Block("Rights, label and codes", _rights(release)),
    )
    sheet = Sheet(
        release.artist,
        release.title,
        facts=_facts(release),
        name="Credits sheet",
        language=release.language,
        blocks=tuple(block for block in blocks if block.items),
    )
    missing = missing_block(release, words, sheet.texts())
    return replace(sheet, blocks=(*sheet.blocks, missing))


def _named_rows(fields: Iterable[tuple[str, str | None]]) -> tuple[Row, ...]:
    return tuple(Row(text, label=label) for label, text in fields if text)


def _facts(release: Release) -> tuple[Row, ...]:
    return _named_rows(
        (
            ("Catalogue number", release.catalogue_number),
            ("Label", release.label),
            ("Release date", release.release_date),
            ("Barcode", release.barcode),
        )
    )


def _rights(release: Release) -> tuple[Row, ...]:
    return _named_rows(
        (
            ("℗ line", _signed("℗", release.phonogram)),
            ("© line", _signed("©", release.copyright)),
            ("Label", release.label),
            ("Catalogue number", release.catalogue_number),
            ("Barcode", release.barcode),
        )
    )


def _signed(sign: str, line: str | None) -> str | None:
    return line if line is None or line.startswith(sign) else f"{sign} {line}"


def _by_disc(words: Sequence[TrackWords]) -> list[tuple[int, list[TrackWords]]]:
    return [(disc, list(group)) for disc, group in groupby(words, key=lambda w: w.disc)]


def _track_lists(release: Release, words: Sequence[TrackWords]) -> tuple[Block, ...]:
    discs = _by_disc(words)
    return tuple(
        Block(
            "Track list" if len(discs) == 1 else f"Track list, disc {disc}",
            (
                *(_track_row(release, w) for w in on_disc),
                Row(
                    "Total running time, without pauses",
                    end=duration_text(sum(w.duration_s for w in on_disc)),
                ),
            ),
        )
        for disc, on_disc in discs
    )


def _track_row(release: Release, words: TrackWords) -> Row:
    other = (words.artist,) if words.artist != release.artist else ()
    return Row(words.title, str(words.number), duration_text(words.duration_s), other)


def _per_disc(
    words: Sequence[TrackWords], rows: Callable[[Sequence[TrackWords]], tuple[Row, ...]]
) -> tuple[Item, ...]:
    discs = _by_disc(words)
    if len(discs) == 1:
        return rows(words)
    items: list[Item] = []
    for disc, on_disc in discs:
        of_disc = rows(on_disc)
        items += [Subtitle(f"Disc {disc}"), *of_disc] if of_disc else []
    return tuple(items)


def _writers_rows(words: Sequence[TrackWords]) -> tuple[Row, ...]:
    return tuple(
        Row(w.title, label=str(w.number), details=(writers,))
        for w in words
        for writers in (writers_text(w),)
        if writers
    )


def writers_text(words: TrackWords) -> str:
    """Write who wrote a track and who publishes it.

    Returns
    -------
    str
        As ``Words: Oda Brenn; music: Ines Falk; publisher: Tidewrack Songs``; empty where nothing
        is known.
    """
    composers, lyricists = ", ".join(words.composers), ", ".join(words.lyricists)
    if composers == lyricists:
        parts = [("words and music", composers)]
    else:
        parts = [("words", lyricists), ("music", composers)]
    parts += [("arranged by", ", ".join(words.arrangers)), ("publisher", words.publisher or "")]
    text = "; ".join(f"{label}: {names}" for label, names in parts if names)
    return text[:1].upper() + text[1:]


def _isrc_rows(words: Sequence[TrackWords]) -> tuple[Row, ...]:
    return tuple(
        Row(f"ISRC {isrc_text(w.isrc)}" if w.isrc else EMPTY_ISRC, str(w.number), end=w.title)
        for w in words
    )


def _recorded(words: Sequence[TrackWords]) -> tuple[Row, ...]:
    """Group the tracks by when and where they were recorded."""
    groups: dict[tuple[str | None, str | None], list[TrackWords]] = {}
    for w in words:
        if w.recorded or w.recorded_at:
            groups.setdefault((w.recorded, w.recorded_at), []).append(w)
    return tuple(
        Row(f"{_tracks_named(group, words)} recorded {_when_and_where(*place)}")
        for place, group in groups.items()
    )


def _when_and_where(year: str | None, place: str | None) -> str:
    return ", ".join(part for part in (year, place) if part) if year else f"at {place}"


def _tracks_named(group: Sequence[TrackWords], words: Sequence[TrackWords]) -> str:
    if len(group) == len(words) > 1:
        return "All tracks"
    numbers = tracks_text(group)
    if group[0].of_discs > 1:
        return numbers[0].upper() + numbers[1:] + ","
    return f"{'Track' if len(group) == 1 else 'Tracks'} {numbers}"


def _people(people: Iterable[Person], words: Sequence[TrackWords]) -> tuple[Row, ...]:
    return tuple(Row(person_text(person, words)) for person in people)


def _heading(words: TrackWords) -> Subtitle:
    disc = f"Disc {words.disc}, " if words.of_discs > 1 else ""
    return Subtitle(f"{disc}{words.number}. {words.title}")


def _track_notes(words: Sequence[TrackWords]) -> tuple[Item, ...]:
    items: list[Item] = []
    for w in words:
        items += [_heading(w), *prose(w.comment)] if w.comment else []
    return tuple(items)


def _lyrics(words: Sequence[TrackWords]) -> tuple[Item, ...]:
    items: list[Item] = []
    for w in words:
        items += [_heading(w), *map(Verse, stanzas(w.lyrics))] if w.lyrics else []
    return tuple(items)
