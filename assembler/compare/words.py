"""What changed between two releases, in an engineer's words: values side by side."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from pydantic import BaseModel

from assembler.finished.report_text import band_text
from assembler.manifest.codes import isrc_text
from assembler.manifest.model import Band
from assembler.text import frames_text, number_ranges, shorten, signed_db

NOTHING = "none"
_MOST_SHOWN = 60
LONGEST_PATH = 4096
_PATHS = ("pregap_audio", "file", "left", "right")
"""Keys that hold a path."""
Show = Callable[[Any], str]


@dataclass(frozen=True)
class Difference:
    """One thing in which two releases differ.

    Attributes
    ----------
    code
        Kebab-case name of the kind of difference.
    before, after
        What is said in front of the track's number and behind it; without a track all of it
        stands in `before`.
    tracks
        Numbers of the tracks, as in the second release.
    files
        Paths inside the release, where the difference is one of files.
    """

    code: str
    before: str
    after: str = ""
    tracks: tuple[str, ...] = ()
    files: tuple[str, ...] = ()

    @property
    def message(self) -> str:
        """Say it."""
        several = len(self.tracks) > 1 and self.before.endswith("track ")
        before = f"{self.before[:-1]}s " if several else self.before
        return f"{before}{_numbers(self.tracks)}{self.after}"

    def as_json(self) -> dict[str, Any]:
        """Give it as plain data for ``--json``."""
        told = {"code": self.code, "tracks": list(self.tracks), "message": self.message}
        return {**told, "files": list(self.files)} if self.files else told


def _numbers(tracks: Sequence[str]) -> str:
    if all(track.isdecimal() for track in tracks):
        return number_ranges(map(int, tracks))
    return ", ".join(tracks)


def merged(differences: Iterable[Difference]) -> tuple[Difference, ...]:
    """Say once what is the same of several tracks."""
    told: dict[tuple[str, str, str], Difference] = {}
    for one in differences:
        key = (one.code, one.before, one.after) if one.tracks else (one.code, one.message, "")
        if key in told:
            tracks = dict.fromkeys(told[key].tracks + one.tracks)
            one = replace(told[key], tracks=tuple(tracks))
        told[key] = one
    return tuple(told.values())


def from_to(old: Any, new: Any, show: Show = str) -> str:
    """Write a value before and after; of a longer text the place where it changes.

    Examples
    --------
    >>> from_to("Tide Table", "Tide Tables")
    'Tide Table → Tide Tables'
    >>> from_to(None, 2)
    'none → 2'
    """
    texts = [NOTHING if value in (None, (), "") else show(value) for value in (old, new)]
    if any(len(text) > _MOST_SHOWN or "\n" in text for text in texts):
        line, texts = _about_the_change(*texts)
        place = f"in line {line}: " if line > 1 else ""
        return f"{place}{shorten(texts[0])} → {shorten(texts[1])}"
    shown = [shorten(text) for text in texts]
    if len({unicodedata.normalize("NFKC", text) for text in shown}) == 1:
        return f"{_spelt_out(texts[0])} → {_spelt_out(texts[1])}"
    return f"{shown[0]} → {shown[1]}"


def paths_from_to(old: Sequence[str], new: Sequence[str]) -> str:
    """Write paths before and after; folders that all share are left out, no name is cut.

    Examples
    --------
    >>> paths_from_to(["takes/day 1/low lantern.wav"], ["takes/day 2/low lantern.wav"])
    '…/day 1/low lantern.wav → …/day 2/low lantern.wav'
    """
    folders = [path.split("/")[:-1] for path in (*old, *new)]
    shared = 0
    while folders and len({tuple(parts[: shared + 1]) for parts in folders}) == 1:
        if len(folders[0]) <= shared:
            break
        shared += 1

    def shown(paths: Sequence[str]) -> str:
        texts = ("/".join(["…", *path.split("/")[shared:]]) if shared else path for path in paths)
        return " + ".join(shorten(text, LONGEST_PATH) for text in texts) or NOTHING

    return f"{shown(old)} → {shown(new)}"


def _about_the_change(old: str, new: str) -> tuple[int, list[str]]:
    """Give the line in which two texts begin to differ, and a piece of each from before there."""
    pairs = zip(old, new, strict=False)
    first = next((n for n, (a, b) in enumerate(pairs) if a != b), min(len(old), len(new)))
    start = max(old.rfind("\n", 0, first) + 1, first - _MOST_SHOWN // 3)
    lead = "…" if start and old[start - 1] != "\n" else ""
    pieces = [lead + text[start : start + _MOST_SHOWN].partition("\n")[0] for text in (old, new)]
    if pieces[0] == pieces[1]:
        pieces = [_spelt_out(text[first : first + 8]) for text in (old, new)]
    return old.count("\n", 0, first) + 1, pieces


def _spelt_out(text: str) -> str:
    """Write a text so that what can't be seen in it can be told apart."""
    return f"`{ascii(text)[1:-1]}`"


def times_text(times_s: Iterable[Fraction]) -> str:
    """Write times to the millisecond, as the manifest does."""
    return ", ".join(time_text(time_s) for time_s in times_s)


def time_text(time_s: Fraction) -> str:
    """Write a time to the millisecond.

    Examples
    --------
    >>> time_text(Fraction("67.5"))
    '1:07.500'
    """
    thousandths = int(time_s * 1000 + Fraction(1, 2))
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes}:{rest // 1000:02d}.{rest % 1000:03d}"


def seconds_text(time_s: Fraction) -> str:
    """Write a length in seconds.

    Examples
    --------
    >>> seconds_text(Fraction(5, 2))
    '2.50 s'
    """
    return f"{float(time_s):.2f} s" if time_s * 100 % 1 == 0 else f"{float(time_s):.4g} s"


def _number(unit: str) -> Show:
    return lambda value: f"{value:g}{f' {unit}' if unit else ''}".replace("-", "−")


def _names(names: Iterable[str]) -> str:
    return ", ".join(names)


def _yes_no(value: bool) -> str:
    return "yes" if value else "no"


def _isrc_range(value: Any) -> str:
    return f"{value.prefix}, {value.year:02d}, from {value.first:05d}"


def _plain(value: Any) -> str:
    """Write a value that has no words of its own."""
    if isinstance(value, BaseModel):
        told = value.model_dump(exclude_none=True).items()
        return ", ".join(f"{key} {_plain(one)}" for key, one in told)
    if isinstance(value, bool):
        return _yes_no(value)
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_plain(one)}" for key, one in value.items())
    return _names(map(str, value)) if isinstance(value, tuple | list) else str(value)


TRACK_WORDS: dict[str, tuple[str, Show]] = {
    "title": ("title", str),
    "version": ("version", str),
    "artist": ("artist", str),
    "isrc": ("ISRC", isrc_text),
    "recorded": ("date of recording", str),
    "recorded_at": ("place of recording", str),
    "composers": ("composers", _names),
    "lyricists": ("lyricists", _names),
    "arrangers": ("arrangers", _names),
    "publisher": ("publisher", str),
    "lyrics": ("lyrics", str),
    "comment": ("comment", str),
}
"""What of a track is written into its tags."""
TRACK_SETTINGS: dict[str, tuple[str, Show]] = {
    "trim": ("trim", lambda value: signed_db(value) if value else "0 dB"),
    "fade_in": ("fade-in", seconds_text),
    "fade_out": ("fade-out", seconds_text),
    "fade_shape": ("shape of the fades", str),
    "overlap": ("overlap into", seconds_text),
    "indexes": ("index points", times_text),
    "copy_permitted": ("copy flag", _yes_no),
    "pre_emphasis": ("pre-emphasis flag", _yes_no),
    "cd_text": ("spelling on the disc", _plain),
    "side": ("tape side", str),
    "disc": ("disc opened by", str),
}
RELEASE: dict[str, tuple[str, Show]] = {
    "title": ("title of the release", str),
    "artist": ("artist of the release", str),
    "p_line": ("℗ line", str),
    "c_line": ("© line", str),
    "cd_text": ("spelling of the release on the disc", _plain),
    "isrc": ("range of ISRCs", _isrc_range),
}
LEVEL: dict[str, tuple[str, Show]] = {
    "match": ("match", str),
    "target": ("target", _number("LUFS")),
    "ceiling": ("ceiling", _number("dBTP")),
}
DISC: dict[str, tuple[str, Show]] = {
    "make": ("disc asked for", _yes_no),
    "gap": ("gap where a track says none", seconds_text),
    "limit": ("limit of the disc", frames_text),
    "tail": ("silence after the last track", seconds_text),
    "pregap_audio": ("sound before track 1", str),
    "dither": ("dither", str),
    "master_date": ("date of the master", str),
}
DOWNLOAD: dict[str, tuple[str, Show]] = {
    "rate": ("rate of the lossless files", _number("Hz")),
    "lossy_ceiling": ("ceiling of decoded lossy files", _number("dBTP")),
}


def changed_values(
    code: str, old: BaseModel, new: BaseModel, told: Mapping[str, tuple[str, Show]],
    skip: Iterable[str] = (),
) -> Iterator[tuple[str, str]]:  # fmt: skip
    """Give the label of each value that changed, and its words before and after.

    Parameters
    ----------
    code
        Names the part in a label that has no words of its own.
    told
        Words for its keys; a key that is not there is told by its name.
    skip
        Keys that are told elsewhere.
    """
    for key in type(new).model_fields:
        if key in skip or getattr(old, key) == getattr(new, key):
            continue
        label, show = told.get(key, (f"{code}{key.replace('_', ' ')}", _plain))
        values = getattr(old, key), getattr(new, key)
        if key in _PATHS:
            yield label, paths_from_to(*([value] if value else [] for value in values))
        else:
            yield label, from_to(*values, show)


def equaliser_changes(old: Sequence[Band], new: Sequence[Band]) -> str:
    """Say what became of a track's equaliser: bands taken out, put in, or both in a pair."""
    gone = [band_text(band) for band in old if band not in new]
    come = [band_text(band) for band in new if band not in old]
    if not gone and not come:
        return "bands in another order" if sorted(map(str, old)) == sorted(map(str, new)) else (
            "a band stands there another number of times"
        )  # fmt: skip
    pairs = min(len(gone), len(come))
    told = [f"{one} → {other}" for one, other in zip(gone, come, strict=False)]
    told += [f"{one} taken out" for one in gone[pairs:]]
    told += [f"{one} added" for one in come[pairs:]]
    return ", ".join(told)
