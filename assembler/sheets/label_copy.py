"""Label copy: a release's facts as plain text for a label, a distributor or a collecting society.

Which facts they ask for is common practice, with no published source; the forms of codes and dates
are those of ISO 3901 and ISO 8601.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from assembler.manifest import Manifest
from assembler.manifest.codes import isrc_text
from assembler.metadata import RoleCredit, TrackMetadata, is_performer
from assembler.sheets.contents import signed
from assembler.sheets.missing import NOTHING, OWNERS_TASK, missing_lines
from assembler.sheets.missing import TITLE as MISSING_TITLE
from assembler.sheets.people import authors
from assembler.sheets.track_blocks import TOTAL, by_disc, total_text, when_and_where
from assembler.text import duration_text
from assembler.typeset.barcode import barcode_symbol
from assembler.typeset.plain_text import titled

NAME = "Label copy"
EMPTY = "missing"
"""Written where a fact that is asked for is not in the manifest."""
RECORDING_WORDS = frozenset(("recorded", "recording", "recordist"))
RECORDING_ROLES = frozenset(("engineer", "sound engineer", "engineering"))
"""Roles that tell who recorded; other engineers mix, master or transfer."""

Field = tuple[str, str | None]


def label_copy(manifest: Manifest, words: Sequence[TrackMetadata]) -> str:
    """Write the label copy: the release, then track after track, then what is missing.

    Parameters
    ----------
    manifest
        The release.
    words
        Of every track, in order.

    Returns
    -------
    str
        One fact a line, as ``Name: value``, with line feeds.
    """
    return "\n".join(_lines(manifest, words)) + "\n"


def write_label_copy(folder: Path, manifest: Manifest, words: Sequence[TrackMetadata]) -> None:
    """Write ``label-copy.txt``, UTF-8.

    Parameters
    ----------
    folder
        Made where it isn't there.
    manifest
        The release.
    words
        Of every track, in order.
    """
    folder.mkdir(parents=True, exist_ok=True)
    text = label_copy(manifest, words)
    (folder / "label-copy.txt").write_text(text, encoding="utf-8", newline="\n")


def _lines(manifest: Manifest, words: Sequence[TrackMetadata]) -> Iterator[str]:
    yield from titled(f"{NAME}: {manifest.release.artist} – {manifest.release.title}", "=")
    yield from ("", *titled("Release", "-"))
    yield from _field_lines(_release_fields(manifest, words))
    for w in words:
        yield from ("", *titled(_track_title(w), "-"))
        yield from _field_lines(_track_fields(manifest, w))
    yield from ("", *titled(MISSING_TITLE, "-"))
    yield from missing_lines(manifest, words) or (NOTHING,)
    yield OWNERS_TASK


def _field_lines(fields: Iterable[Field]) -> Iterator[str]:
    yield from (f"{name}: {value or EMPTY}" for name, value in fields)


def _given(name: str, value: str | None) -> tuple[Field, ...]:
    """Give a fact that not every release or track has."""
    return ((name, value),) if value else ()


def _release_fields(manifest: Manifest, words: Sequence[TrackMetadata]) -> tuple[Field, ...]:
    release = manifest.release
    symbol = barcode_symbol(release.barcode) if release.barcode else None
    return (
        ("Artist", release.artist),
        ("Title", release.title),
        ("Label", release.label),
        ("Catalogue number", release.catalogue_number),
        (f"Barcode ({symbol.kind})", symbol.code) if symbol else ("Barcode", None),
        ("Release date", release.release_date),
        ("Genre", release.genre),
        ("Language (ISO 639)", release.language),
        ("℗ line", signed("℗", release.p_line)),
        ("© line", signed("©", release.c_line)),
        ("Discs", str(len(by_disc(words)))),
        ("Tracks", str(len(words))),
        (TOTAL, total_text(words)),
        *_given("Production", _people(_production(_whole_release(manifest)))),
    )


def _whole_release(manifest: Manifest) -> list[RoleCredit]:
    return [
        RoleCredit(credit.name, role)
        for credit in manifest.credits
        if not credit.tracks
        for role in credit.roles
    ]


def _track_title(words: TrackMetadata) -> str:
    disc = f"Disc {words.disc}, track" if words.of_discs > 1 else "Track"
    return f"{disc} {words.number}"


def _track_fields(manifest: Manifest, words: TrackMetadata) -> tuple[Field, ...]:
    track = manifest.tracks[words.running_number - 1]
    when = (words.recorded, words.recorded_at)
    everywhere = _whole_release(manifest)
    own = [part for part in words.credits if part not in everywhere]
    return (
        ("Title", track.title),
        *_given("Version", track.version),
        ("Artist", words.artist),
        ("ISRC", isrc_text(words.isrc) if words.isrc else None),
        ("Duration", duration_text(words.duration_s)),
        *_writers(words),
        *_given("Publisher", words.publisher),
        ("Recorded", when_and_where(*when) if any(when) else None),
        ("Recorded by", _people(part for part in words.credits if is_recorder(part.role))),
        ("Players", _people(part for part in words.credits if is_performer(part.role))),
        *_given("Production", _people(_production(own))),
    )


def _writers(words: TrackMetadata) -> tuple[Field, ...]:
    """Give who wrote a track, and who arranged it: its own arrangers and those of the credits."""
    written: list[Field] = [(part.capitalize(), names) for part, names in authors(words)]
    arrangers = [*words.arrangers, *(p.name for p in words.credits if _is_arranger(p.role))]
    return (
        *(written or [("Words and music", None)]),
        *_given("Arranged by", ", ".join(dict.fromkeys(arrangers))),
    )


def _is_arranger(role: str) -> bool:
    return role.lower().startswith("arrang")


def _production(parts: Iterable[RoleCredit]) -> list[RoleCredit]:
    """Leave out who plays, who recorded and who arranged: they are named with each track."""
    return [
        part
        for part in parts
        if not (is_performer(part.role) or is_recorder(part.role) or _is_arranger(part.role))
    ]


def is_recorder(role: str) -> bool:
    """Tell the role of someone who made a recording.

    Examples
    --------
    >>> is_recorder("recording"), is_recorder("engineer"), is_recorder("mix engineer")
    (True, True, False)
    """
    role = role.lower().replace("-", " ")
    return role in RECORDING_ROLES or not RECORDING_WORDS.isdisjoint(role.split())


def _people(parts: Iterable[RoleCredit]) -> str:
    """Name each person once, with roles in brackets."""
    people: dict[str, dict[str, None]] = {}
    for part in parts:
        people.setdefault(part.name, {})[part.role] = None
    return "; ".join(f"{name} ({', '.join(roles)})" for name, roles in people.items())
