"""Cells of a table that are more than one value of a track: publishers with shares, performers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import zip_longest

from assembler.draft.listed_song import ListedSong
from assembler.manifest import Manifest, Track
from assembler.manifest.details import Publisher
from assembler.manifest.roles import is_performer
from assembler.manifest.yaml_edits import PlainValue
from assembler.text import compact

PERFORMER = "performer"
"""The role of a performer without one."""
_PERSON = re.compile(r"\s*([^;(]+?)\s*(?:\(([^)]*)\))?\s*(?:;|$)")


def value_text(value: object) -> str:
    """Return a value of a track as a cell: yes for true, names with semicolons between.

    Examples
    --------
    >>> value_text(("Ines Falk", "Oda Brenn")), value_text(True), value_text(None)
    ('Ines Falk; Oda Brenn', 'yes', '')
    """
    if value is None or value is False:
        return ""
    if isinstance(value, tuple):
        return "; ".join(map(str, value))
    return "yes" if value is True else str(value)


def plain_value(value: object) -> PlainValue:
    """Return a value as the manifest writes it."""
    if isinstance(value, tuple):
        return tuple(_publisher(one) if isinstance(one, Publisher) else one for one in value)
    return value if isinstance(value, bool) else str(value)


def _publisher(publisher: Publisher) -> dict[str, str]:
    parts = {"name": publisher.name, "share": _share(publisher), "ipi": publisher.ipi}
    return {key: text for key, text in parts.items() if text}


def _share(publisher: Publisher) -> str:
    return "" if publisher.share is None else compact(publisher.share)


def publisher_cell(track: Track, name: str) -> str:
    """Return shares or IPI name numbers of a track's publishers as a cell."""
    texts = [
        _share(one) if name == "publisher_shares" else one.ipi or "" for one in track.publishers
    ]
    return "; ".join(texts) if any(texts) else ""


def publishers_in(row: ListedSong, track: Track) -> list[dict[str, str]]:
    """Return the publishers of a row with shares and IPI; what it lacks is the track's.

    Raises
    ------
    ValueError
        There are more shares or numbers than publishers.
    """
    names = _parts(row.cells.get("publisher", "")) or [one.name for one in track.publishers]
    names = names or ([track.publisher] if track.publisher else [])
    parts: dict[str, list[str]] = {}
    for key in ("publisher_shares", "publisher_ipi"):
        parts[key] = _parts(row.cells.get(key, "") or publisher_cell(track, key))
        if len(parts[key]) > len(names):
            raise ValueError(f"{len(parts[key])} values for {len(names)} publishers")
    shares = [share.rstrip("% ") for share in parts["publisher_shares"]]
    listed = zip_longest(names, _percent(shares), parts["publisher_ipi"], fillvalue="")
    named = ({"name": n, "share": s, "ipi": i} for n, s, i in listed)
    return [{key: text for key, text in one.items() if text} for one in named]


def _percent(shares: list[str]) -> list[str]:
    """Return shares in percent: a spreadsheet may hold 60 % as 0.6."""
    if not all(re.fullmatch(r"0?\.\d+|1|1\.0+", share) for share in shares):
        return shares
    return [compact(round(100 * float(share), 4)) for share in shares]


def _parts(cell: str) -> list[str]:
    return [part.strip() for part in cell.split(";")] if cell else []


def performers_cell(manifest: Manifest, index: int) -> str:
    """Return the credited performers of a track: ``Tove Lind (drum); Oda Brenn (voice)``."""
    return "; ".join(
        f"{credit.name} ({', '.join(roles)})"
        for credit in manifest.credits
        if not credit.tracks or index + 1 in credit.tracks
        if (roles := list(filter(is_performer, credit.roles)))
    )


def missing_credits(manifest: Manifest, index: int, cell: str) -> list[tuple[str, tuple[str, ...]]]:
    """Return the performers of a cell, with their roles, that the credits of a track lack."""
    credited: dict[str, set[str]] = {}
    for credit in manifest.credits:
        if not credit.tracks or index + 1 in credit.tracks:
            credited.setdefault(credit.name.casefold(), set()).update(
                map(str.casefold, credit.roles)
            )
    missing: dict[str, dict[str, None]] = {}
    for name, roles in _people(cell):
        known = credited.get(name.casefold(), set())
        if not roles:
            roles = [] if known else [PERFORMER]
        if new := [role for role in roles if role.casefold() not in known]:
            missing.setdefault(name, {}).update(dict.fromkeys(new))
    return [(name, tuple(roles)) for name, roles in missing.items()]


def _people(cell: str) -> Sequence[tuple[str, list[str]]]:
    return [
        (name.strip(), [role.strip() for role in roles.split(",") if role.strip()])
        for name, roles in _PERSON.findall(cell)
        if name.strip()
    ]
