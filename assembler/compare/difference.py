"""One difference between two releases, and values before and after."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
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
    found: dict[tuple[str, str, str, bool], Difference] = {}
    for one in differences:
        key = (one.code, one.subject, one.text, bool(one.tracks))
        if key in found:
            one = replace(one, tracks=tuple(dict.fromkeys(found[key].tracks + one.tracks)))
        found[key] = one
    return tuple(found.values())


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
    if any(len(text) > _LONGEST_SHOWN or "\n" in text for text in texts):
        line, texts = _around_the_change(*texts)
        place = f"in line {line}: " if line > 1 else ""
        return f"{place}{shorten(texts[0])} → {shorten(texts[1])}"
    shown = [shorten(text) for text in texts]
    if len({unicodedata.normalize("NFKC", text) for text in shown}) == 1:
        shown = [_code_points(text) for text in texts]
    return f"{shown[0]} → {shown[1]}"


def _around_the_change(old: str, new: str) -> tuple[int, list[str]]:
    """Return the line in which two texts begin to differ, and a piece of each from there."""
    pairs = zip(old, new, strict=False)
    first = next((n for n, (a, b) in enumerate(pairs) if a != b), min(len(old), len(new)))
    start = max(old.rfind("\n", 0, first) + 1, first - _LONGEST_SHOWN // 3)
    lead = "…" if start and old[start - 1] != "\n" else ""
    pieces = [lead + text[start : start + _LONGEST_SHOWN].partition("\n")[0] for text in (old, new)]
    if pieces[0] == pieces[1]:
        pieces = [_code_points(text[first : first + 8]) for text in (old, new)]
    return old.count("\n", 0, first) + 1, pieces


def _code_points(text: str) -> str:
    """Write a text so that differences without visible form can be seen."""
    return f"`{ascii(text)[1:-1]}`"


def paths_from_to(old: Sequence[str], new: Sequence[str]) -> str:
    """Write paths before and after, without the folders that all share.

    Examples
    --------
    >>> paths_from_to(["takes/day 1/low lantern.wav"], ["takes/day 2/low lantern.wav"])
    '…/day 1/low lantern.wav → …/day 2/low lantern.wav'
    """
    folders = [path.split("/")[:-1] for path in (*old, *new)]
    shared = 0
    for level in zip(*folders, strict=False):
        if len(set(level)) > 1:
            break
        shared += 1

    def shown(paths: Sequence[str]) -> str:
        texts = ("/".join(["…", *path.split("/")[shared:]]) if shared else path for path in paths)
        return " + ".join(shorten(text, LONGEST_PATH) for text in texts) or NOTHING

    return f"{shown(old)} → {shown(new)}"
