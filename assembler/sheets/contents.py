"""What stands on the credits sheet: for each place on the package the words that go there.

What a sleeve carries, and where, is common practice, with no published source.
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
from assembler.typeset.barcode import barcode_symbol
from assembler.typeset.blocks import BarcodeSymbol, Block, Note, Part, Row, Sheet, SignOff, prose

NAME = "Credits sheet"
CHECKS = "Before print"
SIGNS = (
    "℗ with year and owner: the right in the sound recording, and the year of its first "
    "publication (Rome Convention 1961, article 11; Phonograms Convention 1971, article 5).",
    "© with owner and year: the right in words, music, pictures and design, and the year of "
    "their first publication (Universal Copyright Convention, article III).",
    "Numbers in brackets after a role are tracks; without them it is for the whole release.",
)
SIGN_OFF = SignOff(
    ("Approved as printed", "Changes are marked; another proof, please"),
    ("Artist’s initials", "Date"),
)


def credits_sheet(manifest: Manifest, words: Sequence[TrackMetadata]) -> Sheet:
    """Put together the parts of the credits sheet.

    Parameters
    ----------
    manifest
        The release.
    words
        Of every track, in order.

    Returns
    -------
    Sheet
        Front, spine, back, inside and disc face; the last part, for which nothing is to be set,
        names what is still missing and has a box for the artist's initials.
    """
    release = manifest.release
    parts = [
        Part("Front", (Block("Artist and title", _front(release)),)),
        Part("Spine", (Block("One line", (Row(_spine(release)),)),)),
        Part("Back", (*track_lists(release, words), *_back(release))),
        Part("Inside", _inside(manifest, words)),
        Part("Disc face", tuple(_disc_faces(release, words))),
    ]
    filled = tuple(part for part in map(_without_empty_blocks, parts) if part.blocks)
    sheet = Sheet(release.artist, release.title, (), NAME, release.language, filled)
    missing = (*missing_lines(manifest, words), *unprinted_lines(sheet.texts()))
    return replace(
        sheet, facts=_facts(release, len(missing)), parts=(*filled, _before_print(missing))
    )


def _without_empty_blocks(part: Part) -> Part:
    return replace(part, blocks=tuple(block for block in part.blocks if block.items))


def _named_rows(fields: Iterable[tuple[str, str | None]]) -> tuple[Row, ...]:
    return tuple(Row(text, label=label) for label, text in fields if text)


def _facts(release: Release, missing: int) -> tuple[Row, ...]:
    points = "1 point" if missing == 1 else f"{missing} points"
    text = f"{points}, named at the end under “{CHECKS}”" if missing else "nothing"
    known = _named_rows(
        (
            ("Catalogue number", release.catalogue_number),
            ("Label", release.label),
            ("Release date", release.release_date),
            ("Barcode", release.barcode),
        )
    )
    return (*known, Row(text, label=TITLE, is_strong=bool(missing)))


def _front(release: Release) -> tuple[Row, ...]:
    cover = release.front_cover and PurePosixPath(release.front_cover).name
    return _named_rows((("Artist", release.artist), ("Title", release.title), ("Picture", cover)))


def _spine(release: Release) -> str:
    texts = (release.artist, release.title, release.catalogue_number)
    return " – ".join(text for text in texts if text)


def _back(release: Release) -> tuple[Block, ...]:
    rights = Block(
        "Rights, label and codes",
        _named_rows(
            (
                ("℗ line", signed("℗", release.p_line)),
                ("© line", signed("©", release.c_line)),
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
        f"{symbol.kind} at nominal size, 37.29 × 25.93 mm with its quiet zones of "
        f"{symbol.left_quiet} and {symbol.right_quiet} modules of 0.33 mm; as barcode.pdf and "
        "barcode.svg. It may be set at 80 to 200 %; nothing may stand in its white ground."
    )
    return (rights, Block("Barcode to place", (BarcodeSymbol(symbol.code), Note(size))))


def signed(sign: str, line: str | None) -> str | None:
    """Put ℗ or © before a line that has not got it yet."""
    return line if line is None or line.startswith(sign) else f"{sign} {line}"


def _inside(manifest: Manifest, words: Sequence[TrackMetadata]) -> tuple[Block, ...]:
    return (
        Block("Words and music", writers_items(words)),
        Block("Performers", people_rows(performers(manifest.credits, words), words)),
        Block("Recorded", recorded_rows(words)),
        Block("Production", people_rows(production(manifest.credits, words), words)),
        Block("Notes", prose(manifest.text.notes or "")),
        Block("Notes on the tracks", track_notes(words)),
        Block("Thanks", prose(manifest.text.thanks or "")),
        Block("Lyrics", lyrics(words)),
        Block("ISRC", isrc_items(words)),
    )


def _disc_faces(release: Release, words: Sequence[TrackMetadata]) -> Iterable[Block]:
    discs = by_disc(words)
    for number, _ in discs:
        several = len(discs) > 1
        fields = (
            ("Artist", release.artist),
            ("Title", release.title),
            ("Disc", f"{number} of {len(discs)}" if several else None),
            ("Catalogue number", release.catalogue_number),
            ("Label", release.label),
            ("℗ line", signed("℗", release.p_line)),
            ("© line", signed("©", release.c_line)),
        )
        yield Block(f"Disc {number}" if several else "Disc", _named_rows(fields))


def _before_print(missing: Sequence[str]) -> Part:
    return Part(
        CHECKS,
        (
            missing_block(missing),
            Block("What the signs mean", tuple(map(Note, SIGNS))),
            Block("Approval", (SIGN_OFF,)),
        ),
    )
