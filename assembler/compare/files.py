"""Differences in the files of two releases: audio by null test, lossy files, tags, all others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np

from assembler.compare.difference import LONGEST_PATH, Difference, from_to, paths_from_to
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
_RECORDS = (CHECKSUMS, MANIFEST, REPORT, REPORT_TEXT)
"""Files that describe a release: they differ whenever what they describe differs."""
_GAIN_TAGS = ("track_gain", "track_peak", "album_gain", "album_peak", "r128_track_gain",
              "r128_album_gain")  # fmt: skip
_COVERS = {"front_cover": "cover.jpg", "back_cover": "back-cover.jpg"}
Digests = Mapping[str, str]


@dataclass(frozen=True)
class SoundTask:
    """One null test: a track in the image or in a lossless format of both releases."""

    pair: Pair | None
    deliverable: str
    a: Stretch
    b: Stretch
    shift: int
    same_file: bool

    def compared(self) -> SoundDifference | None:
        """Run the test; None if rate or word length differ."""
        if (self.a.rate_hz, self.a.bits) != (self.b.rate_hz, self.b.bits):
            return None
        places = ((self.a.start, self.a.end), (self.b.start, self.b.end))
        if self.same_file and places[0] == places[1] and self.shift == 0:
            return SoundDifference(self.a.length)
        return sound_difference(self.a, self.b, self.shift)


Found = Sequence[tuple[SoundTask, SoundDifference | None]]
"""The null tests with their results."""


def sound_tasks(both: Both, digests: tuple[Digests, Digests]) -> Iterator[SoundTask]:
    """List the null tests: every track of both in every lossless deliverable of both."""

    def task(pair: Pair | None, deliverable: str, a: Stretch, b: Stretch) -> SoundTask:
        shift = shift_of(both.a, both.b, pair, b.rate_hz) if pair else 0
        same_file = digests[0].get(a.name, "a") == digests[1].get(b.name, "b")
        return SoundTask(pair, deliverable, a, b, shift, same_file)

    if has_disc(both.a) and has_disc(both.b):
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
    """Return whether a release has a disc image."""
    return bool(release.report.discs) and (release.folder / DISC).is_dir()


def common_formats(both: Both) -> list[Format]:
    """Return the download formats that both have."""
    return [name for name in made_formats(both.a) if name in set(made_formats(both.b))]


def sound_text(found: SoundDifference) -> str:
    """Write the result of a null test.

    Examples
    --------
    >>> sound_text(SoundDifference(44100, 9, gains_db=(0.5, 0.5)))
    'only the level changed (+0.50 dB, nulls)'
    """
    texts = [
        f"{length_s:.2f} s of audio only in {name}"
        for name, length_s in (("A", found.only_a_s), ("B", found.only_b_s))
        if length_s
    ]
    if not found.samples:
        return ", ".join(["no common audio", *texts])
    return ", ".join([_null_text(found), *texts])


def _null_text(found: SoundDifference) -> str:
    if not found.differing:
        return "the common part nulls"
    if found.gains_db is None:
        return f"residual {_residual(found.differ_dbfs, found.first_s, found.last_s)}"
    no_gain = not any(found.gains_db) and not found.inverted
    gain = gain_text(found.gains_db, inverted=found.inverted)
    if found.gain_and_no_more:
        if not no_gain:
            return f"only the level changed ({gain}, nulls)"
        residual = _residual(found.differ_dbfs, found.first_s, found.last_s)
        return f"differs by no more than dither, residual {residual}"
    residual = _residual(found.residual_dbfs, found.residual_from_s, found.residual_to_s)
    if no_gain:
        return f"residual {residual}"
    return f"level changed by {gain}; residual {residual} ({found.residual_share:.1%} of the time)"


def _residual(level_dbfs: float | None, first_s: float, last_s: float) -> str:
    return f"peaks at {decimal(level_dbfs)} dBFS, {clock_text(first_s)} to {clock_text(last_s)}"


def gain_text(gains_db: tuple[float, float], *, inverted: bool = False) -> str:
    """Write a gain, of each channel if they differ.

    Examples
    --------
    >>> gain_text((0.5, 0.5)), gain_text((1.0, 0.0))
    ('+0.50 dB', 'left +1.00 dB, right 0 dB')
    """
    left, right = gains_db
    if abs(left - right) < _SAME_DB:
        text = _gain((left + right) / 2)
    else:
        text = f"left {_gain(left)}, right {_gain(right)}"
    return f"polarity inverted, {text}" if inverted else text


def _gain(gain_db: float) -> str:
    if not gain_db:
        return "0 dB"
    if abs(gain_db) < 2 * _SAME_DB:
        return f"{signed(gain_db, 3)} dB"
    return signed_db(gain_db)


def sound_differences(both: Both, found: Found) -> Iterator[Difference]:
    """List the null tests that leave a residual; one line if all deliverables agree."""
    texts: dict[Pair | None, dict[str, str]] = {}
    counts = Counter(task.pair for task, _ in found)
    for task, result in found:
        if result is None:
            rates = from_to(f"{task.a.rate_hz} Hz", f"{task.b.rate_hz} Hz")
            texts.setdefault(task.pair, {})[task.deliverable] = f"{rates}, no null test"
        elif not result.identical:
            texts.setdefault(task.pair, {})[task.deliverable] = sound_text(result)
    for pair, by_deliverable in texts.items():
        if pair is None:
            yield Difference("sound", "audio before track 1", by_deliverable[DISC])
        elif len(set(by_deliverable.values())) == 1 and len(by_deliverable) == counts[pair]:
            yield Difference(
                "sound", "audio", next(iter(by_deliverable.values())), both.label(pair)
            )
        else:
            for deliverable, text in by_deliverable.items():
                yield Difference("sound", deliverable, text, both.label(pair))


@dataclass(frozen=True)
class CodedPair:
    """A track's file of one format in both releases, if its bytes differ.

    Attributes
    ----------
    same_sound
        Of a lossy file, whether both decode to the same samples.
    tags
        As read from both files.
    expected
        As both manifests ask for.
    """

    pair: Pair
    name: Format
    same_sound: bool | None
    tags: tuple[Values, Values]
    expected: tuple[Values, Values]


def coded_pair(both: Both, pair: Pair, name: Format) -> CodedPair:
    """Read a track's files of one format whose bytes differ."""
    container = FACTS[name].container
    ends = ((both.a, pair.a), (both.b, pair.b))
    names = [release.track_file(name, release.tracks[i]) for release, i in ends]
    paths = [release.folder / file for (release, _), file in zip(ends, names, strict=True)]
    tags: list[Values] = []
    for path, file in zip(paths, names, strict=True):
        with reading(file):
            tags.append(read_tags(path, container))
    expected = [tag_values(r.manifest.release, r.metadata[i], container) for r, i in ends]
    same: bool | None = None
    if FACTS[name].lossy:
        streams = zip_longest(*(decoded(path, container) for path in paths))
        same = all(a is not None and b is not None and np.array_equal(a, b) for a, b in streams)
    return CodedPair(pair, name, same, (tags[0], tags[1]), (expected[0], expected[1]))


def lossy_differences(both: Both, coded: Iterable[CodedPair], found: Found) -> Iterator[Difference]:
    """List lossy files that decode differently, unless the track's lossless audio differs."""
    changed = {task.pair for task, result in found if result is None or not result.identical}
    for one in coded:
        if one.same_sound is False and one.pair not in changed:
            yield Difference("lossy", one.name, "re-encoded", both.label(one.pair))


def tag_differences(both: Both, coded: Iterable[CodedPair]) -> Iterator[Difference]:
    """List tags that differ though the manifests ask for the same, and new playback gains."""
    for one in coded:
        label = both.label(one.pair)
        fields = dict.fromkeys((*one.tags[0], *one.tags[1]))
        changed = [f for f in fields if one.tags[0].get(f) != one.tags[1].get(f)]
        if any(field in _GAIN_TAGS for field in changed):
            yield Difference("playing-levels", "tags", "new playback gain", label)
        for field in changed:
            expected = {values.get(field) for values in one.expected}
            if field not in _GAIN_TAGS and len(expected) == 1:
                text = from_to(*(" | ".join(values.get(field) or ()) for values in one.tags))
                yield Difference("tag", f"{one.name} tag {field.replace('_', ' ')}", text, label)


def room_differences(both: Both) -> Iterator[Difference]:
    """List deliverables and formats that only one of the releases has."""
    for room in ROOMS:
        a, b = ((release.folder / room).is_dir() for release in (both.a, both.b))
        if a != b:
            yield Difference("room", room, f"only in {'A' if a else 'B'}")
    formats = [set(made_formats(release)) for release in (both.a, both.b)]
    for name in FACTS:
        if name in formats[0] ^ formats[1]:
            yield Difference(
                "format", f"format {name}", f"only in {'A' if name in formats[0] else 'B'}"
            )


def cover_differences(both: Both, digests: tuple[Digests, Digests]) -> Iterator[Difference]:
    """List covers with another picture, or from another file."""
    for key, name in _COVERS.items():
        old, new = (one.get(f"download/{name}") for one in digests)
        paths = [getattr(r.manifest.release, key) for r in (both.a, both.b)]
        text = paths_from_to(*([path] if path else [] for path in paths))
        if old != new:
            text = f"added, {text}" if old is None else f"removed, {text}" if new is None else (
                text if paths[0] != paths[1] else "new picture"
            )  # fmt: skip
        elif old:
            text += ", same picture"
        if old != new or paths[0] != paths[1]:
            yield Difference("cover", key.replace("_", " "), text)


def other_files(both: Both, digests: tuple[Digests, Digests]) -> Iterator[Difference]:
    """List the files that differ and are compared in no other way, by deliverable."""
    compared = {
        release.track_file(name, track)
        for release in (both.a, both.b)
        for name in made_formats(release)
        for track in release.tracks
    }
    compared |= {f"download/{name}" for name in _COVERS.values()}
    if has_disc(both.a) and has_disc(both.b):
        images = ((r, d.number) for r in (both.a, both.b) for d in r.report.discs)
        compared |= {release.disc_file(number, ".wav") for release, number in images}
    rooms: dict[str, list[str]] = {}
    for name in differing_names(digests):
        if name not in compared and name not in _RECORDS:
            rooms.setdefault(name.partition("/")[0], []).append(name)
    held = [{room for room in ROOMS if (r.folder / room).is_dir()} for r in (both.a, both.b)]
    for room, names in rooms.items():
        if room not in held[0] ^ held[1]:
            inside = (name.partition("/")[2] or name for name in names[:MOST_FILES])
            shown = ", ".join(shorten(name, LONGEST_PATH) for name in inside)
            more = f" and {len(names) - MOST_FILES} more" if len(names) > MOST_FILES else ""
            yield Difference("files", room, f"{shown}{more}", files=tuple(names))


def differing_names(digests: tuple[Digests, Digests]) -> list[str]:
    """Return the files whose bytes differ, or that only one of the releases has."""
    names = sorted(digests[0].keys() | digests[1].keys())
    return [name for name in names if digests[0].get(name) != digests[1].get(name)]
