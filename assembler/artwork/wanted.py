"""What must be on each panel: the texts of the templates, each with its kind."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from assembler.findings import Severity
from assembler.metadata import TrackMetadata
from assembler.sheets.people import authors
from assembler.sheets.track_blocks import TOTAL
from assembler.sleeve.content import Texts
from assembler.typeset.blocks import Block, Paragraph, Row, Subtitle, Verse

_NAMED = {"Performers": "credit", "Production": "credit", "Recorded": "recording line"}
_LONGEST = 240


@dataclass(frozen=True)
class Wanted:
    """A text that a panel must have."""

    text: str
    what: str
    """Its name in findings."""
    severity: Severity = "error"
    """Of a finding where it is missing."""
    is_strict: bool = True
    """Also its punctuation counts: a title or a name, and not a line of this program's making."""
    track: TrackMetadata | None = None
    """Of a title in a track list."""
    pieces: tuple[str, ...] = ()
    """Names and roles in it, which may be set in another form."""
    variants: tuple[str, ...] = ()
    """Other forms of it."""


def spine_texts(texts: Texts, artist: str, title: str, number: str | None) -> tuple[Wanted, ...]:
    """Return what is on each spine."""
    return tuple(
        Wanted(text, what)
        for text, what in (
            (artist, "artist"),
            (title, "release title"),
            (number, "catalogue number"),
        )
        if text and text in texts.spine
    )


def wanted_texts(
    blocks: Sequence[Block], tracks: Sequence[TrackMetadata], symbols: tuple[str | None, str | None]
) -> tuple[Wanted, ...]:
    """Return what must be on the panels that carry some blocks.

    Parameters
    ----------
    blocks
        As the templates have them.
    tracks
        The release's tracks.
    symbols
        The ℗ and the © line, without their signs.
    """
    texts = [one for block in blocks for one in _of_block(block, tracks)]
    return tuple(_with_variants(one, symbols) for one in texts if one.text.strip())


def _of_block(block: Block, tracks: Sequence[TrackMetadata]) -> Iterator[Wanted]:
    for item in block.items:
        if isinstance(item, Row):
            yield from _of_row(block.title, item, tracks)
        elif isinstance(item, Subtitle):
            if block.title in ("Track notes", "Lyrics"):
                yield Wanted(item.text, f"title above {block.title.lower()}", "note", False)
        elif isinstance(item, Paragraph | Verse):
            text = item.text if isinstance(item, Paragraph) else "\n".join(item.lines)
            what = f"sleeve text ({block.title.lower() or 'text'})"
            yield from (Wanted(part, what, "warning", False) for part in _sentences(text))


def _of_row(title: str, row: Row, tracks: Sequence[TrackMetadata]) -> Iterator[Wanted]:
    if title == "Words and music":
        yield from _writers(row, tracks)
    elif title in _NAMED:
        pieces = _pieces(row.text) if _NAMED[title] == "credit" else ()
        severity: Severity = "error" if pieces else "warning"
        yield Wanted(row.text, _NAMED[title], severity, False, None, pieces)
    elif title == "Pictures":
        yield Wanted(row.text, "caption", "warning", False)
        if row.end:
            yield Wanted(row.end, "maker of a picture", "warning")
    elif title == "ISRC":
        yield Wanted(row.end, f"ISRC of track {row.label}", "note", False)
    elif row.text == TOTAL:
        return
    elif row.label.isdigit():
        yield from _listed(title, row, tracks)
    else:
        yield Wanted(row.text, _name_of(row.text))


def _listed(title: str, row: Row, tracks: Sequence[TrackMetadata]) -> Iterator[Wanted]:
    """Return a title of a track list, and its artist."""
    disc = int(re.sub(r"\D", "", title) or 0)
    for track in tracks:
        is_it = track.number == int(row.label) and track.title == row.text
        if is_it and disc in (0, track.disc):
            yield Wanted(row.text, f"title of track {row.label}", track=track)
            yield from (Wanted(text, f"artist of track {row.label}") for text in row.details)
            return


def _writers(row: Row, tracks: Sequence[TrackMetadata]) -> Iterator[Wanted]:
    for text in row.details:
        names = [
            name
            for track in tracks
            if str(track.number) == row.label and track.title == row.text
            for _, joined in (*authors(track), ("", ", ".join(track.arrangers)))
            for name in joined.split(", ")
            if name
        ]
        yield Wanted(
            text, f"writers of track {row.label}", "error", False, None, tuple(dict.fromkeys(names))
        )


def _name_of(text: str) -> str:
    return {"℗": "℗ line", "©": "© line"}.get(text[:1], f"“{text}”" if len(text) < 30 else "line")


def _pieces(line: str) -> tuple[str, ...]:
    """Return the name and the roles of a credit line.

    Examples
    --------
    >>> _pieces("Mattis Oren – harmonium, arranger (1, 3); voice (2)")
    ('Mattis Oren', 'harmonium', 'arranger', 'voice')
    """
    name, _, roles = line.partition(" – ")
    plain = re.sub(r"\([^)]*\)", "", roles)
    return (name, *(role.strip() for role in re.split(r"[,;]", plain) if role.strip()))


def _sentences(text: str) -> Iterator[str]:
    """Split a text at lines and sentences, so that a difference is found where it is."""
    for line in text.splitlines():
        part = ""
        for sentence in re.split(r"(?<=[.!?;:])\s+", line):
            if part and len(part) + len(sentence) > _LONGEST:
                yield part
                part = ""
            part = f"{part} {sentence}".strip()
        if part:
            yield part


def _with_variants(one: Wanted, symbols: tuple[str | None, str | None]) -> Wanted:
    """Add the one line that many sleeves have for ℗ and ©."""
    p_line, c_line = symbols
    if one.text[:1] not in "℗©" or not p_line or p_line != c_line:
        return one
    joined = tuple(f"{signs} {p_line}" for signs in ("℗ & ©", "© & ℗", "℗ + ©", "℗ ©", "© ℗"))
    return Wanted(one.text, one.what, one.severity, one.is_strict, variants=joined)
