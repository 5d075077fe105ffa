"""What a sleeve needs and the manifest has not: named, so that nothing goes to print unseen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from assembler.manifest import Manifest
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata, is_performer
from assembler.sheets.people import all_names, tracks_text, twin_names
from assembler.typeset.blocks import Block, Note, Row
from assembler.typeset.fonts import NO_GLYPH, missing_characters

TITLE = "Still missing"
NOTHING = "Nothing is missing."
OWNERS_TASK = (
    "ISRCs and the barcode come from the ranges allotted to their owner, and rights and licences "
    "are for the owner to clear under local rules."
)


def missing_lines(manifest: Manifest, words: Sequence[TrackMetadata]) -> tuple[str, ...]:
    """Name the empty slots of a release, and names that may be one in two spellings."""
    return (
        *(f"No {name}" for name in _missing_facts(manifest.release)),
        *(
            f"{what}: {tracks_text(where) if where[0].of_discs > 1 else _tracks(where)}"
            for what, where in _missing_words(words)
            if where
        ),
        *(
            f"Two spellings, perhaps of one name: {first} and {other}"
            for first, other in twin_names(all_names(manifest))
        ),
    )


def unprinted_lines(texts: Iterable[str]) -> tuple[str, ...]:
    """Name the characters of a sheet's texts that no font here has."""
    unprinted = missing_characters("".join(texts))
    if not unprinted:
        return ()
    return (
        f"No font here has these characters; they print as {NO_GLYPH} and stand whole in the "
        f"text file: {', '.join(f'U+{ord(sign):04X} {sign}' for sign in unprinted)}",
    )


def missing_block(lines: Sequence[str]) -> Block:
    """Give the block that names what is missing."""
    rows = [Row(line, is_strong=True) for line in lines] or [Row(NOTHING)]
    return Block(TITLE, (*rows, Note(OWNERS_TASK)))


def _missing_facts(release: Release) -> list[str]:
    facts = {
        "barcode": release.barcode,
        "front cover": release.front_cover,
        "℗ line": release.p_line,
        "© line": release.c_line,
        "catalogue number": release.catalogue_number,
        "label": release.label,
        "release date": release.release_date,
    }
    return [name for name, value in facts.items() if not value]


def _missing_words(words: Sequence[TrackMetadata]) -> list[tuple[str, list[TrackMetadata]]]:
    return [
        ("ISRC slot empty", [w for w in words if not w.isrc]),
        ("No composer or lyricist", [w for w in words if not (w.composers or w.lyricists)]),
        ("No recording year", [w for w in words if not w.recorded]),
        ("Nobody credited as playing or singing", [w for w in words if not _has_player(w)]),
    ]


def _has_player(words: TrackMetadata) -> bool:
    return any(is_performer(part.role) for part in words.credits)


def _tracks(words: Sequence[TrackMetadata]) -> str:
    return f"{'track' if len(words) == 1 else 'tracks'} {tracks_text(words)}"
