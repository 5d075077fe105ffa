"""Differences in the files of two releases: sound to the sample, lossy files, tags, all others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np

from assembler.compare.manifests import Both
from assembler.compare.sound import SoundDifference, sound_difference
from assembler.compare.stretches import (
    Stretch,
    in_format,
    made_formats,
    on_image,
    pregap_audio,
    shift_of,
)
from assembler.compare.tracks import Pair
from assembler.compare.words import LONGEST_PATH, Difference, from_to, paths_from_to
from assembler.download.formats import FACTS
from assembler.download.lossy import decoded
from assembler.download.tag_table import Values, tag_values
from assembler.download.tags import read_tags
from assembler.finished.finished import FinishedRelease, reading
from assembler.finished.release_folder import CHECKSUMS, MANIFEST, REPORT, REPORT_TEXT
from assembler.manifest.model import Format
from assembler.mastering.plan import ROOMS
from assembler.text import clock_text, decimal, shorten, signed, signed_db

DISC = "disc"
MOST_FILES = 6
"""Files of a folder that are named; of more there is the number."""
_SAME_DB = 0.005
_ACCOUNTS = (CHECKSUMS, MANIFEST, REPORT, REPORT_TEXT)
"""What tells of a release: where it differs, what it tells of differs."""
_LEVEL_FIELDS = ("track_gain", "track_peak", "album_gain", "album_peak", "r128_track_gain",
                 "r128_album_gain")  # fmt: skip
Digests = Mapping[str, str]


@dataclass(frozen=True)
class SoundTask:
    """A track's sound in one deliverable of both releases: the image, or a lossless format."""

    pair: Pair | None
    deliverable: str
    a: Stretch
    b: Stretch
    shift: int
    same_file: bool

    def compared(self) -> SoundDifference | None:
        """Compare it; None where rate or width forbid it."""
        if (self.a.rate_hz, self.a.bits) != (self.b.rate_hz, self.b.bits):
            return None
        places = ((self.a.start, self.a.end), (self.b.start, self.b.end))
        if self.same_file and places[0] == places[1] and self.shift == 0:
            return SoundDifference(self.a.length)
        return sound_difference(self.a, self.b, self.shift)


def sound_tasks(both: Both, digests: tuple[Digests, Digests]) -> Iterator[SoundTask]:
    """List what must be compared: every track of both in everything lossless that both hold."""

    def task(pair: Pair | None, what: str, a: Stretch, b: Stretch) -> SoundTask:
        shift = shift_of(both.a, both.b, pair, b.rate_hz) if pair else 0
        same_file = digests[0].get(a.name, "a") == digests[1].get(b.name, "b")
        return SoundTask(pair, what, a, b, shift, same_file)

    if all(has_disc(release) for release in (both.a, both.b)):
        hidden = pregap_audio(both.a), pregap_audio(both.b)
        if any(stretch.length for stretch in hidden):
            yield task(None, DISC, *hidden)
        for pair in both.pairs:
            yield task(pair, DISC, on_image(both.a, pair.a), on_image(both.b, pair.b))
    for name in common_formats(both):
        if not FACTS[name].lossy:
            for pair in both.pairs:
                stretches = in_format(both.a, name, pair.a), in_format(both.b, name, pair.b)
                yield task(pair, name, *stretches)


def has_disc(release: FinishedRelease) -> bool:
    """Tell whether a release holds a disc's image."""
    return bool(release.report["discs"]) and (release.folder / DISC).is_dir()


def common_formats(both: Both) -> list[Format]:
    """Give the download formats that both hold."""
    return [name for name in made_formats(both.a) if name in set(made_formats(both.b))]


def sound_text(found: SoundDifference) -> str:
    """Say what is between two sounds, to be put behind the track's number.

    Examples
    --------
    >>> sound_text(SoundDifference(44100, 9, gains_db=(0.5, 0.5)))
    '+0.50 dB and nothing else'
    """
    only = [
        f"{length_s:.2f} s of sound only in {name}"
        for name, length_s in (("A", found.only_a_s), ("B", found.only_b_s))
        if length_s
    ]
    if not found.samples:
        return ", ".join(["nothing of it in both", *only])
    if not found.differing:
        return ", ".join(["the same sound where both have it", *only])
    return ", ".join([_apart(found), *only])


def _apart(found: SoundDifference) -> str:
    differ, left = (_dbfs(level) for level in (found.differ_dbfs, found.leftover_dbfs))
    span = f"from {clock_text(found.first_s)} to {clock_text(found.last_s)}"
    if found.gains_db is None:
        return f"differs by up to {differ}, {span}"
    plain = not any(found.gains_db) and not found.inverted
    gain = gain_text(found.gains_db, inverted=found.inverted)
    if found.gain_and_no_more:
        if plain:
            return f"differs by no more than dither may, up to {differ}, {span}"
        return f"{gain} and nothing else"
    span = f"from {clock_text(found.leftover_from_s)} to {clock_text(found.leftover_to_s)}"
    if plain:
        return f"differs by up to {differ}, {span}"
    share = f"{found.leftover_share:.1%} of it"
    return f"{gain}, and left over up to {left}, {span} ({share})"


def _dbfs(level_db: float | None) -> str:
    return "nothing" if level_db is None else f"{decimal(level_db)} dBFS"


def gain_text(gains_db: tuple[float, float], *, inverted: bool = False) -> str:
    """Write a gain, of each channel where they differ.

    Examples
    --------
    >>> gain_text((0.5, 0.5)), gain_text((1.0, 0.0))
    ('+0.50 dB', 'left +1.00 dB, right 0 dB')
    """
    left, right = gains_db
    if abs(left - right) < _SAME_DB:
        told = _gain((left + right) / 2)
    else:
        told = f"left {_gain(left)}, right {_gain(right)}"
    return f"polarity turned, {told}" if inverted else told


def _gain(gain_db: float) -> str:
    if not gain_db:
        return "0 dB"
    if abs(gain_db) < 2 * _SAME_DB:
        return f"{signed(gain_db, 3)} dB"
    return signed_db(gain_db)


def sound_differences(
    both: Both, found: Sequence[tuple[SoundTask, SoundDifference | None]]
) -> Iterator[Difference]:
    """Say what is between the sounds; once, where all deliverables agree."""
    texts: dict[Pair | None, dict[str, str]] = {}
    counts = Counter(task.pair for task, _ in found)
    for task, difference in found:
        if difference is None:
            rates = from_to(task.a.rate_hz, task.b.rate_hz)
            text = f"{rates} Hz, which can't be compared by the sample"
        elif difference.identical:
            continue
        else:
            text = sound_text(difference)
        texts.setdefault(task.pair, {})[task.deliverable] = text
    for pair, told in texts.items():
        if pair is None:
            yield Difference("sound", f"sound before track 1: {told[DISC]}")
            continue
        label = (both.label(pair),)
        if len(set(told.values())) == 1 and len(told) == counts[pair]:
            yield Difference("sound", "track ", f" {next(iter(told.values()))}", label)
            continue
        for deliverable, text in told.items():
            where = "on the disc" if deliverable == DISC else f"in {deliverable}"
            yield Difference("sound", f"{where}, track ", f" {text}", label)


@dataclass(frozen=True)
class CodedPair:
    """A track's file of one format in both releases, where its bytes differ."""

    pair: Pair
    name: Format
    same_sound: bool | None
    """Of a lossy file, whether both decode to the same samples."""
    tags: tuple[Values, Values]
    words: tuple[Values, Values]
    """What the manifests ask for in these tags."""


def coded_pair(both: Both, pair: Pair, name: Format) -> CodedPair:
    """Look into a track's files of one format whose bytes differ."""
    container = FACTS[name].container
    ends = ((both.a, pair.a), (both.b, pair.b))
    names = [release.track_file(name, release.tracks[i]) for release, i in ends]
    paths = [release.folder / file for (release, _), file in zip(ends, names, strict=True)]
    tags: list[Values] = []
    for path, file in zip(paths, names, strict=True):
        with reading(file):
            tags.append(read_tags(path, container))
    asked = [tag_values(r.manifest.release, r.words[i], container) for r, i in ends]
    same: bool | None = None
    if FACTS[name].lossy:
        streams = zip_longest(*(decoded(path, container) for path in paths))
        same = all(a is not None and b is not None and np.array_equal(a, b) for a, b in streams)
    return CodedPair(pair, name, same, (tags[0], tags[1]), (asked[0], asked[1]))


def lossy_differences(
    both: Both,
    coded: Iterable[CodedPair],
    found: Sequence[tuple[SoundTask, SoundDifference | None]],
) -> Iterator[Difference]:
    """Find lossy files with other sound where the lossless ones, if there are any, tell of none."""
    compared = {task.pair for task, _ in found}
    other = {task.pair for task, told in found if told is None or not told.identical}
    paused = {task.pair for task, _ in found if task.a.length != task.b.length}
    for one in coded:
        if one.same_sound is False and one.pair not in other:
            what = "the same sound coded otherwise" if one.pair in compared else "other sound"
            what = "coded anew with another pause behind it" if one.pair in paused else what
            label = (both.label(one.pair),)
            yield Difference("lossy", f"{one.name}, {what}: track ", "", label)


def tag_differences(both: Both, coded: Iterable[CodedPair]) -> Iterator[Difference]:
    """Find tags that differ though the manifests do not ask for that, and levels told anew."""
    for one in coded:
        label = (both.label(one.pair),)
        fields = dict.fromkeys((*one.tags[0], *one.tags[1]))
        changed = [f for f in fields if one.tags[0].get(f) != one.tags[1].get(f)]
        if any(field in _LEVEL_FIELDS for field in changed):
            yield Difference("playing-levels", "playing levels in the tags told anew: track ",
                             "", label)  # fmt: skip
        for field in changed:
            asked = (values.get(field) for values in one.words)
            if field not in _LEVEL_FIELDS and len(set(asked)) == 1:
                old, new = (values.get(field) for values in one.tags)
                told = from_to(old, new, " | ".join)
                before = f"tag {field.replace('_', ' ')} in {one.name} of "
                yield Difference("tag", before, f" changed: {told}", label)


def room_differences(both: Both) -> Iterator[Difference]:
    """Find deliverables and formats that only one of the releases holds, and other covers."""
    a, b = both.a, both.b
    for room in ROOMS:
        there = [(release.folder / room).is_dir() for release in (a, b)]
        if there[0] != there[1]:
            yield Difference("room", f"{room}: only in {'A' if there[0] else 'B'}")
    formats = [set(made_formats(release)) for release in (a, b)]
    for name in FACTS:
        if name in formats[0] ^ formats[1]:
            what = "no longer made" if name in formats[0] else "added"
            yield Difference("format", f"format {name} {what}")


def cover_differences(both: Both, digests: tuple[Digests, Digests]) -> Iterator[Difference]:
    """Find covers that are another picture, or come from another file."""
    for key, name in (("front_cover", "cover.jpg"), ("back_cover", "back-cover.jpg")):
        old, new = (one.get(f"download/{name}") for one in digests)
        named = [getattr(r.manifest.release, key) for r in (both.a, both.b)]
        what = key.replace("_", " ")
        if old != new:
            told = "added" if old is None else "taken out" if new is None else "changed"
            yield Difference("cover", f"{what} {told}")
        elif named[0] != named[1]:
            same = ", the same picture" if old else ""
            paths = paths_from_to(*([path] if path else [] for path in named))
            yield Difference("cover", f"{what}: {paths}{same}")


def other_files(both: Both, digests: tuple[Digests, Digests]) -> Iterator[Difference]:
    """Name the files that differ and that nothing else here has looked into, room by room."""
    looked_into = {
        release.track_file(name, track)
        for release in (both.a, both.b)
        for name in made_formats(release)
        for track in release.tracks
    }
    looked_into |= {f"download/{name}" for name in ("cover.jpg", "back-cover.jpg")}
    if has_disc(both.a) and has_disc(both.b):
        images = ((r, d["number"]) for r in (both.a, both.b) for d in r.report["discs"])
        looked_into |= {release.disc_file(number, ".wav") for release, number in images}
    rooms: dict[str, list[str]] = {}
    for name in sorted(digests[0].keys() | digests[1].keys()):
        changed = digests[0].get(name) != digests[1].get(name)
        if changed and name not in looked_into and name not in _ACCOUNTS:
            rooms.setdefault(name.partition("/")[0], []).append(name)
    held = [{room for room in ROOMS if (r.folder / room).is_dir()} for r in (both.a, both.b)]
    for room, names in rooms.items():
        if room not in held[0] ^ held[1]:
            inside = (name.partition("/")[2] or name for name in names[:MOST_FILES])
            shown = ", ".join(shorten(name, LONGEST_PATH) for name in inside)
            left = len(names) - MOST_FILES
            more = f" and {left} more" if left > 0 else ""
            yield Difference("files", f"{room}: {shown}{more}", files=tuple(names))
