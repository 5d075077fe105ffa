"""The credits sheet: the text for each part of the package, as PDF and as text to copy from.

What a sleeve carries, and where: from memory of the trade, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath

from assembler.manifest import Manifest
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata, all_credits
from assembler.sheets.details import details_blocks, own_p_lines, with_symbol
from assembler.sheets.missing import TITLE, missing_block, missing_lines, unprinted_lines
from assembler.sheets.people import performers, production
from assembler.sheets.track_blocks import (
    isrc_items,
    lyrics,
    recorded_rows,
    track_lists,
    track_notes,
    writers_items,
)
from assembler.text import counted, date_text
from assembler.typeset.barcode import barcode_symbol
from assembler.typeset.blocks import BarcodeSymbol, Block, Note, Part, Row, Sheet, SignOff, prose
from assembler.typeset.plain_text import sheet_text
from assembler.typeset.sheet_pdf import write_pdf

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


def write_credits_sheet(folder: Path, manifest: Manifest, tracks: Sequence[TrackMetadata]) -> None:
    """Write ``credits-sheet.pdf`` and ``credits-sheet.txt``: the same blocks in the same order."""
    folder.mkdir(parents=True, exist_ok=True)
    sheet = credits_sheet(manifest, tracks)
    (folder / "credits-sheet.txt").write_bytes(sheet_text(sheet).encode())
    write_pdf(folder / "credits-sheet.pdf", sheet)


def credits_sheet(manifest: Manifest, tracks: Sequence[TrackMetadata]) -> Sheet:
    """Return the credits sheet of a release: front, spine, back, booklet and label.

    The last part, which is not printed on the package, lists what is still missing and has a box
    for the artist's initials.
    """
    release = manifest.release
    parts: dict[str, Sequence[Block]] = {
        "Front": [Block("Artist and title", _front(release))],
        "Spine": [Block("One line", (Row(_spine(release)),))],
        "Back": [*track_lists(release, tracks), *_back(release, tracks)],
        "Booklet": _booklet(manifest, tracks),
    }
    if manifest.disc.make:
        parts["Disc label"] = _disc_labels(release, tracks)
    elif manifest.sleeve:
        parts["Label"] = [Block("Each side", _label(release))]
    blocks = {name: tuple(block for block in of if block.items) for name, of in parts.items()}
    filled = tuple(Part(name, of) for name, of in blocks.items() if of)
    sheet = Sheet(release.artist, release.title, (), NAME, release.language, filled)
    missing = (*missing_lines(manifest, tracks), *unprinted_lines(sheet_text(sheet)))
    return replace(
        sheet,
        facts=_facts(release, len(missing)),
        parts=(*filled, _before_print(missing, details_blocks(manifest, tracks))),
    )


def _named_rows(*fields: tuple[str, str | None]) -> tuple[Row, ...]:
    return tuple(Row(text, label=label) for label, text in fields if text)


def _facts(release: Release, missing: int) -> tuple[Row, ...]:
    points = f"{counted(missing, 'point')}, listed at the end under “{CHECKS}”"
    known = _named_rows(
        ("Catalogue number", release.catalogue_number),
        ("Label", release.label),
        ("Release date", release.release_date and date_text(release.release_date)),
        ("Barcode", release.barcode),
    )
    return (*known, Row(points if missing else "nothing", TITLE, is_strong=bool(missing)))


def _front(release: Release) -> tuple[Row, ...]:
    cover = release.front_cover and PurePosixPath(release.front_cover).name
    return _named_rows(("Artist", release.artist), ("Title", release.title), ("Front cover", cover))


def _spine(release: Release) -> str:
    texts = (release.artist, release.title, release.catalogue_number)
    return " – ".join(text for text in texts if text)


def _back(release: Release, tracks: Sequence[TrackMetadata]) -> tuple[Block, ...]:
    rows = _named_rows(
        ("℗ line", with_symbol("℗", release.p_line)),
        *own_p_lines(release, tracks),
        ("© line", with_symbol("©", release.c_line)),
        ("Label", release.label),
        ("Catalogue number", release.catalogue_number),
        ("Barcode", release.barcode),
    )
    rights = Block("Rights, label and codes", rows)
    if not release.barcode:
        return (rights,)
    symbol = barcode_symbol(release.barcode)
    size = (
        f"{symbol.kind} at nominal size: 37.29 × 25.93 mm including the quiet zones "
        f"({symbol.left_quiet} modules left, {symbol.right_quiet} right, 0.33 mm each). Files: "
        "barcode.pdf, barcode.svg. Scale it to 80 to 200 %; keep the white area free."
    )
    return (rights, Block("Barcode", (BarcodeSymbol(symbol.code), Note(size))))


def _booklet(manifest: Manifest, tracks: Sequence[TrackMetadata]) -> tuple[Block, ...]:
    credits = all_credits(manifest)
    return (
        Block("Words and music", writers_items(tracks)),
        Block("Performers", tuple(map(Row, performers(credits, tracks)))),
        Block("Recorded", recorded_rows(tracks)),
        Block("Production", tuple(map(Row, production(credits, tracks)))),
        Block("Notes", prose(manifest.text.notes or "")),
        Block("Track notes", track_notes(tracks)),
        Block("Thanks", prose(manifest.text.thanks or "")),
        Block("Lyrics", lyrics(tracks)),
        Block("Pictures", _pictures(manifest)),
        Block("ISRC", isrc_items(tracks)),
    )


def _pictures(manifest: Manifest) -> tuple[Row, ...]:
    """Return captions and who took the pictures; a picture without a caption by its file."""
    return tuple(
        Row(picture.caption or PurePosixPath(picture.file).name, end=picture.by or "")
        for picture in (manifest.sleeve.pictures if manifest.sleeve else ())
    )


def _disc_labels(release: Release, tracks: Sequence[TrackMetadata]) -> Sequence[Block]:
    count = tracks[0].of_discs
    if count == 1:
        return [Block("Disc", _label(release))]
    numbers = range(1, count + 1)
    return [Block(f"Disc {number}", _label(release, f"{number} of {count}")) for number in numbers]


def _label(release: Release, disc: str | None = None) -> tuple[Row, ...]:
    return _named_rows(
        ("Artist", release.artist),
        ("Title", release.title),
        ("Disc", disc),
        ("Catalogue number", release.catalogue_number),
        ("Label", release.label),
        ("℗ line", with_symbol("℗", release.p_line)),
        ("© line", with_symbol("©", release.c_line)),
    )


def _before_print(missing: Sequence[str], details: Sequence[Block]) -> Part:
    symbols = Block("Symbols", tuple(map(Note, SYMBOLS)))
    blocks = (missing_block(missing), *details, symbols, Block("Approval", (SIGN_OFF,)))
    return Part(CHECKS, tuple(block for block in blocks if block.items))
