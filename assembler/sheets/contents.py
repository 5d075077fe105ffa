"""The content of the credits sheet: the text for each part of the package.

What a sleeve carries, and where: from memory of the trade, no published source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import PurePosixPath

from assembler.manifest import Manifest
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata
from assembler.sheets.missing import TITLE, missing_block, missing_lines, unprinted_lines
from assembler.sheets.people import performers, production
from assembler.sheets.track_blocks import (
    by_disc,
    isrc_items,
    lyrics,
    people_rows,
    recorded_rows,
    track_lists,
    track_notes,
    writers_items,
)
from assembler.text import counted, date_text
from assembler.typeset.barcode import barcode_symbol
from assembler.typeset.blocks import BarcodeSymbol, Block, Note, Part, Row, Sheet, SignOff, prose

NAME = "Credits sheet"
CHECKS = "Before print"
SYMBOLS = (
    "℗ year and owner: the rights in the sound recording, and the year of its first publication "
    "(Rome Convention 1961, article 11; Phonograms Convention 1971, article 5).",
    "© year and owner: the rights in lyrics, music, pictures and design, and the year of their "
    "first publication (Universal Copyright Convention, article III).",
    "Numbers in brackets after a role are track numbers; a role without numbers applies to the "
    "whole release.",
)
SIGN_OFF = SignOff(
    ("Approved as printed", "Changes are marked; please send another proof"),
    ("Artist’s initials", "Date"),
)


def credits_sheet(manifest: Manifest, tracks: Sequence[TrackMetadata]) -> Sheet:
    """Return the credits sheet of a release.

    Parameters
    ----------
    manifest
        The release.
    tracks
        Every track, in order.

    Returns
    -------
    Sheet
        Front, spine, back, booklet and disc label; the last part, which is not printed on the
        package, lists what is still missing and has a box for the artist's initials.
    """
    release = manifest.release
    parts = [
        Part("Front", (Block("Artist and title", _front(release)),)),
        Part("Spine", (Block("One line", (Row(_spine(release)),)),)),
        Part("Back", (*track_lists(release, tracks), *_back(release))),
        Part("Booklet", _booklet(manifest, tracks)),
        Part("Disc label", tuple(_disc_labels(release, tracks))),
    ]
    filled = tuple(part for part in map(_without_empty_blocks, parts) if part.blocks)
    sheet = Sheet(release.artist, release.title, (), NAME, release.language, filled)
    missing = (*missing_lines(manifest, tracks), *unprinted_lines(sheet.texts()))
    return replace(
        sheet, facts=_facts(release, len(missing)), parts=(*filled, _before_print(missing))
    )


def _without_empty_blocks(part: Part) -> Part:
    return replace(part, blocks=tuple(block for block in part.blocks if block.items))


def _named_rows(fields: Iterable[tuple[str, str | None]]) -> tuple[Row, ...]:
    return tuple(Row(text, label=label) for label, text in fields if text)


def _facts(release: Release, missing: int) -> tuple[Row, ...]:
    text = (
        f"{counted(missing, 'point')}, listed at the end under “{CHECKS}”" if missing else "nothing"
    )
    known = _named_rows(
        (
            ("Catalogue number", release.catalogue_number),
            ("Label", release.label),
            ("Release date", release.release_date and date_text(release.release_date)),
            ("Barcode", release.barcode),
        )
    )
    return (*known, Row(text, label=TITLE, is_strong=bool(missing)))


def _front(release: Release) -> tuple[Row, ...]:
    cover = release.front_cover and PurePosixPath(release.front_cover).name
    return _named_rows(
        (("Artist", release.artist), ("Title", release.title), ("Front cover", cover))
    )


def _spine(release: Release) -> str:
    texts = (release.artist, release.title, release.catalogue_number)
    return " – ".join(text for text in texts if text)


def _back(release: Release) -> tuple[Block, ...]:
    rights = Block(
        "Rights, label and codes",
        _named_rows(
            (
                ("℗ line", with_symbol("℗", release.p_line)),
                ("© line", with_symbol("©", release.c_line)),
                ("Label", release.label),
                ("Catalogue number", release.catalogue_number),
                ("Barcode", release.barcode),
            )
        ),
    )
    if not release.barcode:
        return (rights,)
    symbol = barcode_symbol(release.barcode)
    size = (
        f"{symbol.kind} at nominal size: 37.29 × 25.93 mm including the quiet zones "
        f"({symbol.left_quiet} modules left, {symbol.right_quiet} right, 0.33 mm each). Files: "
        "barcode.pdf, barcode.svg. Scale it to 80 to 200 %; keep the white area free."
    )
    return (rights, Block("Barcode", (BarcodeSymbol(symbol.code), Note(size))))


def with_symbol(symbol: str, line: str | None) -> str | None:
    """Return a ℗ or © line with its symbol in front."""
    return line if line is None or line.startswith(symbol) else f"{symbol} {line}"


def _booklet(manifest: Manifest, tracks: Sequence[TrackMetadata]) -> tuple[Block, ...]:
    return (
        Block("Words and music", writers_items(tracks)),
        Block("Performers", people_rows(performers(manifest.credits, tracks), tracks)),
        Block("Recorded", recorded_rows(tracks)),
        Block("Production", people_rows(production(manifest.credits, tracks), tracks)),
        Block("Notes", prose(manifest.text.notes or "")),
        Block("Track notes", track_notes(tracks)),
        Block("Thanks", prose(manifest.text.thanks or "")),
        Block("Lyrics", lyrics(tracks)),
        Block("ISRC", isrc_items(tracks)),
    )


def _disc_labels(release: Release, tracks: Sequence[TrackMetadata]) -> Iterable[Block]:
    discs = by_disc(tracks)
    for number, _ in discs:
        several = len(discs) > 1
        fields = (
            ("Artist", release.artist),
            ("Title", release.title),
            ("Disc", f"{number} of {len(discs)}" if several else None),
            ("Catalogue number", release.catalogue_number),
            ("Label", release.label),
            ("℗ line", with_symbol("℗", release.p_line)),
            ("© line", with_symbol("©", release.c_line)),
        )
        yield Block(f"Disc {number}" if several else "Disc", _named_rows(fields))


def _before_print(missing: Sequence[str]) -> Part:
    return Part(
        CHECKS,
        (
            missing_block(missing),
            Block("Symbols", tuple(map(Note, SYMBOLS))),
            Block("Approval", (SIGN_OFF,)),
        ),
    )
