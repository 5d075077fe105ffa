"""What must be on each panel: the texts of the templates, each with its kind."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from assembler.findings import Severity
from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.sheets.people import authors
from assembler.sheets.track_blocks import TOTAL
from assembler.sleeve.checked_artwork import DURATION, Carried
from assembler.sleeve.content import Texts, labels_of, texts_of
from assembler.sleeve.packages import PACKS, parts_of
from assembler.text import duration_text
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


def wanted_texts(
    manifest: Manifest, tracks: Sequence[TrackMetadata], texts: Texts
) -> dict[str, tuple[Wanted, ...]]:
    """Return what must be on each kind of panel, and on each label by its name.

    Parameters
    ----------
    manifest, tracks
        What the panels carry.
    texts
        Their blocks, as the templates have them.
    """
    assert manifest.sleeve
    labels = dict(labels_of(manifest, tracks, texts, PACKS[manifest.sleeve.package].label))
    symbols = manifest.release.p_line, manifest.release.c_line
    of_spine = tuple(_of_spine(manifest, texts))
    wanted = {"front": of_spine[:2], "spine": of_spine}
    for kind, blocks in {**labels, **texts.blocks}.items():
        found = [one for block in blocks for one in _of_block(block, tracks)]
        filled = tuple(_with_variants(one, symbols) for one in found if one.text.strip())
        wanted.setdefault(kind, filled)
    return wanted


def _of_spine(manifest: Manifest, texts: Texts) -> Iterator[Wanted]:
    """Return artist, title and catalogue number, as far as the spine's line has them."""
    release = manifest.release
    named = {
        "artist": release.artist,
        "release title": release.title,
        "catalogue number": release.catalogue_number,
    }
    for what, text in named.items():
        if text and text in texts.spine:
            yield Wanted(text, what)


def carried_texts(
    manifest: Manifest, tracks: Sequence[TrackMetadata], *, has_durations: bool = True
) -> dict[str, Carried]:
    """Return the texts that each part of a sleeve carries.

    Parameters
    ----------
    manifest, tracks
        What the sleeve is for.
    has_durations
        The tracks' durations are known.
    """
    assert manifest.sleeve
    texts = texts_of(manifest, tracks)
    wanted = wanted_texts(manifest, tracks, texts)
    panels = {
        part.name: dict.fromkeys(panel.text for page in part.pages for panel in page)
        for part in parts_of(manifest.sleeve)
    }
    of_label = {name for name in wanted if name not in ("front", "spine", *texts.blocks)}
    panels[PACKS[manifest.sleeve.package].label.name] = dict.fromkeys(sorted(of_label))
    barcode = manifest.release.barcode
    with_barcode = "barcode" if any("barcode" in kinds for kinds in panels.values()) else "back"
    return {
        name: tuple(
            pair
            for kind in kinds
            for pair in (
                *_pairs(wanted.get(kind, ()), has_durations=has_durations),
                *((("barcode", barcode),) if barcode and kind == with_barcode else ()),
            )
        )
        for name, kinds in panels.items()
    }


def _pairs(wanted: Sequence[Wanted], *, has_durations: bool) -> Iterator[tuple[str, str]]:
    for one in wanted:
        if one.severity == "note":  # a sleeve may do without
            continue
        yield one.what, one.text
        if one.track and has_durations:
            yield f"{DURATION} {one.track.number}", duration_text(one.track.duration_s)


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
