"""What a sleeve needs and the manifest has not: named, so that nothing goes to print unseen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from assembler.manifest.model import Release
from assembler.paper.blocks import Block, Paragraph, Row
from assembler.paper.fonts import NO_GLYPH, missing_characters
from assembler.paper.people import tracks_text
from assembler.words import TrackWords

TITLE = "Still missing"
OWNERS_TASK = (
    "ISRCs and the barcode come from the ranges allotted to their owner, and rights and licences "
    "are for the owner to clear under local rules."
)


def missing_block(release: Release, words: Sequence[TrackWords], texts: Iterable[str]) -> Block:
    """Name the empty slots of a release.

    Parameters
    ----------
    release, words
        What the manifest says.
    texts
        All that is printed elsewhere, for characters that no font has.
    """
    lines = [f"No {name}" for name in _missing_facts(release)]
    lines += [
        f"{what}: {tracks_text(where) if where[0].of_discs > 1 else _tracks(where)}"
        for what, where in _missing_words(words)
        if where
    ]
    unprinted = missing_characters("".join(texts))
    if unprinted:
        lines.append(
            f"No font here has these characters; they print as {NO_GLYPH} and stand whole in the "
            f"text file: {', '.join(f'U+{ord(sign):04X} {sign}' for sign in unprinted)}"
        )
    rows = [Row(line) for line in lines] or [Row("Nothing is missing.")]
    return Block(TITLE, (*rows, Paragraph(OWNERS_TASK)))


def _missing_facts(release: Release) -> list[str]:
    facts = {
        "barcode": release.barcode,
        "front cover": release.front_cover,
        "℗ line": release.phonogram,
        "© line": release.copyright,
        "catalogue number": release.catalogue_number,
        "label": release.label,
        "release date": release.release_date,
    }
    return [name for name, value in facts.items() if not value]


def _missing_words(words: Sequence[TrackWords]) -> list[tuple[str, list[TrackWords]]]:
    return [
        ("ISRC slot empty", [w for w in words if not w.isrc]),
        ("No composer or lyricist", [w for w in words if not (w.composers or w.lyricists)]),
        ("No recording year", [w for w in words if not w.recorded]),
    ]


def _tracks(words: Sequence[TrackWords]) -> str:
    return f"{'track' if len(words) == 1 else 'tracks'} {tracks_text(words)}"
