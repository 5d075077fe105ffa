"""Label copy: a release's data as plain text for a label, a distributor or a collecting society.

Which data they ask for: from memory of the trade, no published source. ISRCs: ISO 3901.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from assembler.manifest import Manifest
from assembler.manifest.codes import isrc_text
from assembler.manifest.roles import is_performer
from assembler.metadata import RoleCredit, TrackMetadata, album_artist
from assembler.sheets.details import (
    Field,
    publishers_text,
    release_details,
    track_details,
    with_symbol,
)
from assembler.sheets.missing import NOTHING, OWNERS_TASK, missing_lines
from assembler.sheets.missing import TITLE as MISSING_TITLE
from assembler.sheets.people import authors, group_of
from assembler.sheets.track_blocks import TOTAL, capitalised, total_text, when_and_where
from assembler.text import date_text, duration_text
from assembler.typeset.barcode import barcode_symbol
from assembler.typeset.blocks import Block, Row
from assembler.typeset.plain_text import block_lines, titled

NAME = "Label copy"
EMPTY = "missing"
"""Stands for data that is not in the manifest."""
RECORDING_WORDS = frozenset(("recorded", "recording", "recordist"))
RECORDING_ROLES = frozenset(("engineer", "sound engineer", "engineering"))
"""Roles of recording engineers; other engineers mix, master or transfer."""


def write_label_copy(folder: Path, manifest: Manifest, tracks: Sequence[TrackMetadata]) -> None:
    """Write ``label-copy.txt``, UTF-8."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "label-copy.txt").write_bytes(label_copy(manifest, tracks).encode())


def label_copy(manifest: Manifest, tracks: Sequence[TrackMetadata]) -> str:
    """Return the release's data, then track by track, then what is missing.

    Each is a line ``Name: value``.
    """
    lines = [*titled(f"{NAME}: {manifest.release.artist} – {manifest.release.title}", "=")]
    missing = missing_lines(manifest, tracks) or (NOTHING,)
    blocks = (
        _block("Release", _release_fields(manifest, tracks)),
        *(_block(_track_title(track), _track_fields(manifest, track)) for track in tracks),
        Block(MISSING_TITLE, tuple(map(Row, (*missing, OWNERS_TASK)))),
    )
    for block in blocks:
        lines += ["", *block_lines(block, ": ")]
    return "\n".join(lines) + "\n"


def _block(title: str, fields: Iterable[Field]) -> Block:
    return Block(title, tuple(Row(value or EMPTY, label=name) for name, value in fields))


def _given(name: str, value: str | None) -> tuple[Field, ...]:
    """Return a field that not every release or track has."""
    return ((name, value),) if value else ()


def _release_fields(manifest: Manifest, tracks: Sequence[TrackMetadata]) -> tuple[Field, ...]:
    release = manifest.release
    symbol = barcode_symbol(release.barcode) if release.barcode else None
    return (
        ("Artist", album_artist(manifest)),
        ("Title", release.title),
        ("Label", release.label),
        ("Catalogue number", release.catalogue_number),
        (f"Barcode ({symbol.kind})", symbol.code) if symbol else ("Barcode", None),
        ("Release date", release.release_date and date_text(release.release_date)),
        ("Genre", release.genre),
        ("Language (ISO 639)", release.language),
        ("℗ line", with_symbol("℗", release.p_line)),
        ("© line", with_symbol("©", release.c_line)),
        *release_details(manifest),
        ("Discs", str(tracks[0].of_discs)),
        *_counts(tracks),
        *_given("Production", _people(_production(_whole_release(manifest)))),
    )


def _counts(tracks: Sequence[TrackMetadata]) -> Iterator[Field]:
    """Yield number and total time of the tracks, and of those that are not on the disc."""
    by_group: dict[str, list[TrackMetadata]] = {}
    for track in tracks:
        by_group.setdefault(track.group, []).append(track)
    for group, own in by_group.items():
        suffix = f", {group}" if group else ""
        yield f"Tracks{suffix}", str(len(own))
        yield f"{TOTAL}{suffix}", total_text(own)


def _whole_release(manifest: Manifest) -> list[RoleCredit]:
    return [
        RoleCredit(credit.name, role)
        for credit in manifest.credits
        if not credit.tracks
        for role in credit.roles
    ]


def _track_title(track: TrackMetadata) -> str:
    group = group_of(track)
    return f"{capitalised(group)}, track {track.number}" if group else f"Track {track.number}"


def _track_fields(manifest: Manifest, track: TrackMetadata) -> tuple[Field, ...]:
    entry = manifest.tracks[track.running_number - 1]
    when = (track.recorded, track.recorded_at)
    everywhere = _whole_release(manifest)
    own = [part for part in track.credits if part not in everywhere]
    return (
        ("Title", entry.title),
        *_given("Version", entry.version),
        *_given("Only on", track.only_on),
        ("Artist", track.artist),
        ("ISRC", isrc_text(track.isrc) if track.isrc else None),
        ("Duration", duration_text(track.duration_s)),
        *_writers(track),
        *_given("Publisher", publishers_text(track)),
        *track_details(manifest.release, track),
        ("Recorded", when_and_where(*when) if any(when) else None),
        ("Recorded by", _people(part for part in track.credits if is_recorder(part.role))),
        ("Performers", _people(part for part in track.credits if is_performer(part.role))),
        *_given("Production", _people(_production(own))),
    )


def _writers(track: TrackMetadata) -> tuple[Field, ...]:
    """Return who wrote and who arranged a track, arrangers in the credits included."""
    written: list[Field] = [(part.capitalize(), names) for part, names in authors(track)]
    arrangers = [*track.arrangers, *(p.name for p in track.credits if _is_arranger(p.role))]
    return (
        *(written or [("Words and music", None)]),
        *_given("Arranged by", ", ".join(dict.fromkeys(arrangers))),
    )


def _is_arranger(role: str) -> bool:
    return role.lower().startswith("arrang")


def _production(parts: Iterable[RoleCredit]) -> list[RoleCredit]:
    """Return the credits besides performers, recording engineers and arrangers."""
    return [
        part
        for part in parts
        if not (is_performer(part.role) or is_recorder(part.role) or _is_arranger(part.role))
    ]


def is_recorder(role: str) -> bool:
    """Return whether a role is that of a recording engineer.

    Examples
    --------
    >>> is_recorder("recording"), is_recorder("engineer"), is_recorder("mix engineer")
    (True, True, False)
    """
    role = role.lower().replace("-", " ")
    return role in RECORDING_ROLES or not RECORDING_WORDS.isdisjoint(role.split())


def _people(parts: Iterable[RoleCredit]) -> str:
    """Return each person once, with roles in brackets."""
    people: dict[str, dict[str, None]] = {}
    for part in parts:
        people.setdefault(part.name, {})[part.role] = None
    return "; ".join(f"{name} ({', '.join(roles)})" for name, roles in people.items())
