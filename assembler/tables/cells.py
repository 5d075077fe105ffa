"""Cells of a table that are not a value of a track as they stand: publishers, IPI, editions."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import zip_longest
from typing import Any

from assembler.draft.listed_song import ListedSong
from assembler.draft.song_parts import names_in
from assembler.manifest import Manifest, Track
from assembler.manifest.details import Publisher, WriterIpi
from assembler.manifest.roles import is_performer
from assembler.manifest.sets import DISC, DOWNLOAD
from assembler.manifest.yaml_edits import PlainValue
from assembler.text import compact, counted, shorten

PERFORMER = "performer"
"""The role of a performer without one."""
_NUMBERED = re.compile(
    r"(?P<name>\D*?)[\s:(–-]*(?:(?:IPI|CAE)[\s:.]*)?(?P<ipi>\d[\d.\s–-]*)\)?", re.IGNORECASE
)
"""A number, behind a name or alone: ``Ines Falk (IPI 99999999919)``."""
_NUMBERS_APART = re.compile(r"[;/|&]|(?<=\d),")
_EDITION_WORDS = {"cd": DISC, "digital": DOWNLOAD, "downloads": DOWNLOAD}
_ALL_EDITIONS = ("all", "both", "everywhere")
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
        return tuple(map(_plain_item, value))
    return value if isinstance(value, bool) else str(value)


def _plain_item(item: Any) -> Any:
    if isinstance(item, WriterIpi):
        return {"name": item.name, "ipi": item.ipi}
    return _publisher(item) if isinstance(item, Publisher) else item


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


def writers_cell(track: Track) -> str:
    """Return the IPI name numbers of a track's writers, each behind its name."""
    return "; ".join(f"{writer.name}: {writer.ipi}" for writer in track.writers_ipi)


def writers_in(row: ListedSong, track: Track) -> list[dict[str, str]]:
    """Return the writers of a row with their IPI; those that it lacks are the track's.

    Numbers without names are those of all writers, in order, of the row or else of the track.

    Raises
    ------
    ValueError
        It is not certain whose number it is.
    """
    writers = _writers(row, track)
    numbers = [_number_in(part) for part in _NUMBERS_APART.split(row.cells["ipi"]) if part.strip()]
    if not any(name for name, _ in numbers):
        if len(numbers) != len(writers):
            raise ValueError(
                f"{counted(len(numbers), 'number')} for {counted(len(writers), 'writer')}: "
                "write each after its name, as in `Ines Falk: 999…`"
            )
        numbers = [(name, ipi) for name, (_, ipi) in zip(writers, numbers, strict=True)]
    known = {name.casefold(): name for name in writers}
    for name, _ in numbers:
        if name.casefold() not in known:
            raise ValueError(f"`{shorten(name)}` is not a composer, lyricist or arranger here")
    found = {writer.name: writer.ipi for writer in track.writers_ipi}
    found |= {known[name.casefold()]: ipi for name, ipi in numbers}
    return [{"name": name, "ipi": ipi} for name, ipi in found.items()]


def _writers(row: ListedSong, track: Track) -> list[str]:
    """Return composers, lyricists and arrangers, each once; what a row lacks is the track's."""
    names: dict[str, None] = {}
    for key in ("composers", "lyricists", "arrangers"):
        names |= dict.fromkeys(names_in(row.cells.get(key, "")) or getattr(track, key))
    if doubtful := [name for name in names if "," in name]:
        raise ValueError(f"`{shorten(doubtful[0])}` may be one name, or two")
    return [*names]


def _number_in(part: str) -> tuple[str, str]:
    """Return name and number; no name where there is just a number."""
    match = _NUMBERED.fullmatch(part.strip())
    if match is None:
        raise ValueError(f"`{shorten(part.strip())}` is not a name and an IPI name number")
    return match["name"].strip(), match["ipi"]


def original_in(cell: str, tracks: Sequence[Track], numbered: Mapping[int, int]) -> int:
    """Return the number in the manifest of the track that a cell names, by title or number.

    Parameters
    ----------
    cell
        The full title of a track that no other has, or the number of a row of the table.
    tracks
        The manifest's.
    numbered
        The track's index of each number that one row of the table has.

    Raises
    ------
    ValueError
        It names no track for certain.
    """
    titled = [n for n, one in enumerate(tracks, 1) if one.full_title.casefold() == cell.casefold()]
    if len(titled) == 1:
        return titled[0]
    number = re.fullmatch(r"(?:track|no\.?|#)?\s*(\d{1,3})", cell, re.ASCII | re.IGNORECASE)
    if number and int(number[1]) in numbered:
        return numbered[int(number[1])] + 1
    raise ValueError(f"`{shorten(cell)}` is not the title or the number of one track")


def original_cell(manifest: Manifest, track: Track) -> str:
    """Return the original of a track: its title if no other track has it, else its number."""
    number = track.version_of
    titles = [one.full_title.casefold() for one in manifest.tracks]
    if number is None or number > len(titles) or titles.count(titles[number - 1]) > 1:
        return str(number or "")
    return manifest.tracks[number - 1].full_title


def editions_in(cell: str, manifest: Manifest, track: Track) -> list[str]:
    """Return the editions that a cell names, as the manifest writes them; none if they are as now.

    Raises
    ------
    ValueError
        There is no such edition.
    """
    sets = [one.edition for one in manifest.download]
    known = {name.casefold(): name for name in (DISC, DOWNLOAD, *sets)} | _EDITION_WORDS
    found: dict[str, None] = {}
    for word in re.split(r"[\s;,/&+|]+", cell.casefold()):
        if word in _ALL_EDITIONS:
            found |= {DISC: None, DOWNLOAD: None}
        elif word not in ("", "and", "only"):
            if word not in known:
                listed = ", ".join(dict.fromkeys(known.values()))
                raise ValueError(f"there is no edition `{shorten(word)}`, only {listed}")
            found[known[word]] = None
    named, now = ({*on, *(sets if DOWNLOAD in on else ())} for on in (found, track.on))
    return [] if named == (now or {DISC, DOWNLOAD, *sets}) else [*found]


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
