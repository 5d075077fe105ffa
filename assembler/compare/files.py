"""Differences in tags, deliverables, formats and all other files of two releases."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import PurePosixPath

from assembler.compare.both import Both, in_order
from assembler.compare.difference import LONGEST_PATH, Difference, from_to
from assembler.download.formats import facts_of
from assembler.download.tag_table import Values, tag_values
from assembler.download.tags import read_tags
from assembler.finished.finished import FinishedRelease, reading
from assembler.finished.release_folder import CHECKSUMS, MANIFEST, REPORT, REPORT_TEXT
from assembler.manifest.sets import FORMATS, set_of
from assembler.mastering.plan import ROOMS, Room
from assembler.text import shorten

MOST_FILES = 6
"""Files of a folder that are named; of more there is the number."""
_RECORDS = (CHECKSUMS, MANIFEST, REPORT, REPORT_TEXT)
"""Files that describe a release: they differ whenever what they describe differs."""
_GAIN_TAGS = ("track_gain", "track_peak", "album_gain", "album_peak", "r128_track_gain",
              "r128_album_gain")  # fmt: skip


def tag_differences(both: Both) -> Iterator[Difference]:
    """List tags that differ though the manifests ask for the same, and new playback gains."""
    for name in both.formats:
        of_set, pairs = both.on(set_of(name))
        for pair, own in pairs.items():
            old, new = of_set.files(name, own)
            if not both.same_file(old, new):
                tags = _tags(of_set.a, own.a, name, old), _tags(of_set.b, own.b, name, new)
                yield from _changed_tags(both.label(pair), name, *tags)


Tags = tuple[Values, Values]
"""The tags of a track's file, and those that the manifest asks for."""


def _tags(release: FinishedRelease, index: int, name: str, file: str) -> Tags:
    container = facts_of(name).container
    with reading(file):
        read = read_tags(release.folder / file, container)
    return read, tag_values(release.manifest.release, release.metadata[index], container)


def _changed_tags(label: tuple[str], name: str, old: Tags, new: Tags) -> Iterator[Difference]:
    for field in dict.fromkeys((*old[0], *new[0])):
        before, after = old[0].get(field, ()), new[0].get(field, ())
        if before == after or old[1].get(field) != new[1].get(field):
            continue
        if field in _GAIN_TAGS:
            yield Difference("playing-levels", "tags", "new playback gain", label)
        else:
            text = from_to(" | ".join(before), " | ".join(after))
            yield Difference("tag", f"{name} tag {field.replace('_', ' ')}", text, label)


def made_differences(both: Both) -> Iterator[Difference]:
    """List deliverables and formats that only one of the releases has."""
    for room in _rooms_of_one(both):
        yield Difference("room", room, f"only in {'A' if both.a.has(room) else 'B'}")
    made = both.a.report.formats.keys(), both.b.report.formats.keys()
    for name in in_order(made[0] ^ made[1]):
        yield Difference("format", f"format {name}", f"only in {'A' if name in made[0] else 'B'}")


def _rooms_of_one(both: Both) -> list[Room]:
    return [room for room in ROOMS if both.a.has(room) != both.b.has(room)]


def other_files(both: Both) -> Iterator[Difference]:
    """List the files that differ and are compared in no other way, by deliverable."""
    rooms: dict[str, list[str]] = {}
    for name in both.differing_names():
        room, _, inside = name.partition("/")
        if name not in _RECORDS and room not in _rooms_of_one(both) and not _is_audio(name):
            rooms.setdefault(room, []).append(inside or name)
    for room, names in rooms.items():
        shown = ", ".join(shorten(name, LONGEST_PATH) for name in names[:MOST_FILES])
        more = f" and {len(names) - MOST_FILES} more" if len(names) > MOST_FILES else ""
        paths = tuple(name if name == room else f"{room}/{name}" for name in names)
        yield Difference("files", room, f"{shown}{more}", files=paths)


def _is_audio(name: str) -> bool:
    """Return whether a file is an image or a download, whose audio and tags are compared."""
    path = PurePosixPath(name)
    return path.match("disc/*.wav") or (path.parts[0] == "download" and path.parent.name in FORMATS)
