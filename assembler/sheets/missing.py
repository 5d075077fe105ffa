"""List what the package needs and the manifest lacks, so that nothing goes to print unseen."""

from __future__ import annotations

from collections.abc import Sequence

from assembler.manifest import Manifest
from assembler.manifest.model import Release
from assembler.manifest.roles import is_performer
from assembler.metadata import TrackMetadata
from assembler.sheets.people import all_names, group_of, tracks_text, twin_names
from assembler.typeset.blocks import Block, Note, Row
from assembler.typeset.fonts import NO_GLYPH, missing_characters

TITLE = "Still missing"
NOTHING = "Nothing is missing."
OWNERS_TASK = (
    "ISRCs and barcodes are assigned by the rights owner: ask for those that are missing. The "
    "owner also clears rights and licences under local rules."
)


def missing_lines(manifest: Manifest, tracks: Sequence[TrackMetadata]) -> tuple[str, ...]:
    """List the missing data of a release, and names that may be one in two spellings."""
    return (
        *(f"No {name}" for name in _missing_facts(manifest.release)),
        *(
            f"{what}: {tracks_text(where) if group_of(where[0]) else _tracks(where)}"
            for what, where in _missing_credits(tracks)
            if where
        ),
        *(
            f"Possibly one name in two spellings: {first} and {other}"
            for first, other in twin_names(all_names(manifest))
        ),
    )


def unprinted_lines(text: str) -> tuple[str, ...]:
    """List the characters of a sheet that none of the fonts has."""
    unprinted = missing_characters(text)
    if not unprinted:
        return ()
    return (
        f"These characters are in none of the fonts and print as {NO_GLYPH}; the text file has "
        f"them: {', '.join(f'U+{ord(sign):04X} {sign}' for sign in unprinted)}",
    )


def missing_block(lines: Sequence[str]) -> Block:
    """Return the block that lists what is missing."""
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


def _missing_credits(tracks: Sequence[TrackMetadata]) -> list[tuple[str, list[TrackMetadata]]]:
    return [
        ("No ISRC assigned", [track for track in tracks if not track.isrc]),
        (
            "No composer or lyricist",
            [track for track in tracks if not (track.composers or track.lyricists)],
        ),
        ("No recording date", [track for track in tracks if not track.recorded]),
        ("No performers", [track for track in tracks if not _has_performer(track)]),
    ]


def _has_performer(track: TrackMetadata) -> bool:
    return any(is_performer(part.role) for part in track.credits)


def _tracks(tracks: Sequence[TrackMetadata]) -> str:
    return f"{'track' if len(tracks) == 1 else 'tracks'} {tracks_text(tracks)}"
