"""List the recordings of a folder in natural order, with their names and tags."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from assembler.audio.channel_pairs import common_stem, paired
from assembler.audio.probe import probe
from assembler.audio.source_tags import easy_tags
from assembler.draft.song_parts import AUDIO_SUFFIXES, isrc_in_cell
from assembler.errors import AssemblerError

_LEADING = re.compile(r"^(\d{1,3})(?:[\s._)-]+(?=\S)|$)")


@dataclass(frozen=True)
class FolderRecording:
    """A file, or a pair of files, of a folder."""

    files: tuple[Path, ...]
    """One file, or left and right."""
    number: int | None
    """Leading number of its name."""
    name: str
    """Its name without that number, where the recordings are numbered."""
    tagged_title: str | None = None
    isrc: str | None = None
    """From its tags."""

    @property
    def title(self) -> str:
        """The title from its tags, else its name."""
        return self.tagged_title or self.name

    @property
    def file_names(self) -> str:
        """The names of its files, for messages."""
        return " + ".join(path.name for path in self.files)

    @cached_property
    def duration_s(self) -> float | None:
        """Duration; None where its headers can't be read."""
        try:
            return float(probe(self.files[0]).duration_s)
        except AssemblerError:
            return None


def recordings_in(folder: Path) -> list[FolderRecording]:
    """List the recordings of a folder in natural order, left and right as pairs.

    Raises
    ------
    AssemblerError
        There is no folder, or no audio in it.
    """
    if not folder.is_dir():
        raise AssemblerError(f"{folder}: this is not a folder: name the folder of the audio files")
    for path in folder.iterdir():
        if not _is_utf_8(path.name):
            shown = os.fsencode(path.name).decode("utf-8", "backslashreplace")
            raise AssemblerError(f"{folder}/{shown}: the file name is not UTF-8: rename the file")
    files = sorted(
        (p for p in folder.iterdir() if p.is_file() and p.suffix.lower() in AUDIO_SUFFIXES),
        key=lambda path: _natural_key(path.name),
    )
    if not files:
        raise AssemblerError(f"{folder}: no audio file in this folder: put the recordings there")
    pairs = paired(files)
    numbered = _are_numbered([files[0].stem for files in pairs])
    return [_recording(files, numbered) for files in pairs]


def _is_utf_8(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _natural_key(name: str) -> list[tuple[int, int | str]]:
    parts = re.split(r"(\d+)", name.casefold())
    return [(0, int(part)) if part.isdecimal() else (1, part) for part in parts if part]


def _are_numbered(stems: Sequence[str]) -> bool:
    """Return whether the recordings are numbered at the beginning of their names."""
    numbers = [int(match[1]) for stem in stems if (match := _LEADING.match(stem))]
    return len(set(numbers)) == len(stems) and min(numbers) <= 1


def _recording(files: tuple[Path, ...], numbered: bool) -> FolderRecording:
    stem = common_stem(files)
    match = _LEADING.match(stem) if numbered or stem.startswith("0") else None
    number = int(match[1]) if match else None
    stem = stem[match.end() :] or stem if match else stem
    name = re.sub(r"[_\s]+", " ", stem if " " in stem else stem.replace("-", " ")).strip() or stem
    tags = easy_tags(files[0], ("title", "isrc"))
    return FolderRecording(files, number, name, tags.get("title"), isrc_in_cell(tags.get("isrc")))
