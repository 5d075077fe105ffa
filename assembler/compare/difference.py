"""One difference between two releases, and values before and after."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from os.path import commonpath, commonprefix
from typing import Any

from assembler.text import number_ranges, shorten

NOTHING = "none"
LONGEST_PATH = 4096
_LONGEST_SHOWN = 60


@dataclass(frozen=True)
class Difference:
    """One difference between two releases.

    Attributes
    ----------
    code
        Kebab-case name of the kind of difference.
    subject
        What differs; empty if `text` says it.
    text
        Value before and after, or a statement.
    tracks
        Numbers of the tracks, as in the second release.
    files
        Paths inside the release, if the difference is one of files.
    """

    code: str
    subject: str
    text: str
    tracks: tuple[str, ...] = ()
    files: tuple[str, ...] = ()

    @property
    def message(self) -> str:
        """The difference in one line."""
        where = ", ".join(filter(None, (tracks_text(self.tracks), self.subject)))
        return f"{where}: {self.text}" if where else self.text

    def as_json(self) -> dict[str, Any]:
        """Return plain data for ``--json``."""
        content = {"code": self.code, "tracks": list(self.tracks), "message": self.message}
        return {**content, "files": list(self.files)} if self.files else content


def tracks_text(tracks: Sequence[str]) -> str:
    """Write track numbers.

    Examples
    --------
    >>> tracks_text(["2"]), tracks_text(["1", "2", "3"])
    ('track 2', 'tracks 1–3')
    """
    plain = all(track.isdecimal() for track in tracks)
    numbers = number_ranges(map(int, tracks)) if plain else ", ".join(tracks)
    return f"track{'s' * (len(tracks) > 1)} {numbers}" if tracks else ""


def merged(differences: Iterable[Difference]) -> tuple[Difference, ...]:
    """Combine differences that are the same for several tracks."""
    found: dict[Difference, list[str]] = {}
    for one in differences:
        found.setdefault(replace(one, tracks=one.tracks[:0]), []).extend(one.tracks)
    return tuple(replace(one, tracks=tuple(dict.fromkeys(tracks))) for one, tracks in found.items())


def from_to(old: str, new: str) -> str:
    """Write a text before and after; of longer texts only the place where they differ.

    Examples
    --------
    >>> from_to("Tide Table", "Tide Tables")
    'Tide Table → Tide Tables'
    >>> from_to("", "2")
    'none → 2'
    """
    texts = [old or NOTHING, new or NOTHING]
    if max(map(len, texts)) > _LONGEST_SHOWN:
        start = max(0, len(commonprefix(texts)) - _LONGEST_SHOWN // 3)  # noqa: RUF071
        lead = "…" if start else ""
        texts = [lead + text[start : start + _LONGEST_SHOWN] for text in texts]
    shown = [shorten(text) for text in texts]
    if len({unicodedata.normalize("NFKC", text) for text in shown}) == 1:
        shown = [f"`{ascii(text)[1:-1]}`" for text in texts]  # they look the same
    return f"{shown[0]} → {shown[1]}"


def paths_from_to(old: Sequence[str], new: Sequence[str]) -> str:
    """Write paths before and after, without the folders that all share.

    Examples
    --------
    >>> paths_from_to(["takes/day 1/low lantern.wav"], ["takes/day 2/low lantern.wav"])
    '…/day 1/low lantern.wav → …/day 2/low lantern.wav'
    """
    folders = [path.rpartition("/")[0] for path in (*old, *new)]
    mixed = len({folder.startswith("/") for folder in folders}) > 1
    shared = "" if mixed else commonpath(folders).rstrip("/")
    texts = (
        " + ".join(
            shorten(f"…{path.removeprefix(shared)}" if shared else path, LONGEST_PATH)
            for path in paths
        )
        for paths in (old, new)
    )
    return " → ".join(text or NOTHING for text in texts)
