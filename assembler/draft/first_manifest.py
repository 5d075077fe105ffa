"""Write a first manifest: each audio file a track, slots left empty, nothing made up."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import mutagen

from assembler.draft.song_list import song_list_text, titles_in
from assembler.errors import AssemblerError
from assembler.manifest.codes import parse_isrc
from assembler.manifest.yaml_scalar import yaml_text
from assembler.sources.pairs import common_stem, paired
from assembler.sources.probe import SparingFile

AUDIO_SUFFIXES = (
    ".wav", ".wave", ".w64", ".rf64", ".bwf", ".aif", ".aiff", ".aifc", ".flac", ".caf",
    ".mp3", ".ogg", ".opus", ".m4a", ".mp4", ".aac",
)  # fmt: skip
_LEADING = re.compile(r"^(\d{1,3})[\s._)-]+(?=\S)")


@dataclass(frozen=True)
class DraftTrack:
    """A track of a draft: its file or pair, and what its tags say."""

    files: tuple[Path, ...]
    title: str
    isrc: str | None


def draft_manifest(
    folder: Path, out: Path, titles_file: Path | None = None
) -> tuple[str, list[str]]:
    """Make the text of a first manifest.

    Parameters
    ----------
    folder
        Where the audio lies.
    out
        Where the manifest will lie: paths count from there.
    titles_file
        A song list, one title a line.

    Returns
    -------
    text, remarks
        The manifest, and what the person should know about it.

    Raises
    ------
    AssemblerError
        There is no folder, no audio in it, or the list can't be read.
    """
    if not folder.is_dir():
        raise AssemblerError(f"{folder}: is no folder: name the folder that holds the audio")
    recordings = _recordings(folder)
    if not recordings:
        raise AssemblerError(f"{folder}: holds no audio file: put the recordings there")
    numbered = _are_numbered([files[0].stem for files in recordings])
    tracks = [_track(files, numbered) for files in recordings]
    remarks = []
    if titles_file is not None:
        titles = titles_in(song_list_text(titles_file))
        if len(titles) != len(tracks):
            remarks.append(
                f"{titles_file}: has {len(titles)} titles for {len(tracks)} recordings: the order "
                "is a guess, put each title to its sound"
            )
        tracks = [
            DraftTrack(track.files, title or track.title, track.isrc)
            for track, title in _paired(tracks, titles)
        ]
        for title in titles[len(tracks) :]:
            remarks.append(f"{titles_file}: no recording is left for `{title}`")
    return "\n".join(_lines(tracks, out)) + "\n", remarks


def _paired(
    tracks: Sequence[DraftTrack], titles: Sequence[str]
) -> Iterator[tuple[DraftTrack, str | None]]:
    for index, track in enumerate(tracks):
        yield track, titles[index] if index < len(titles) else None


def _recordings(folder: Path) -> list[tuple[Path, ...]]:
    """List files in natural order, left and right sides as pairs."""
    for path in folder.iterdir():
        if not _is_utf_8(path.name):
            shown = os.fsencode(path.name).decode("utf-8", "backslashreplace")
            raise AssemblerError(f"{folder}/{shown}: its name is not UTF-8: rename it")
    files = sorted(
        (p for p in folder.iterdir() if p.is_file() and p.suffix.lower() in AUDIO_SUFFIXES),
        key=lambda path: _natural_key(path.name),
    )
    return paired(files)


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
    """Tell whether the numbers that names begin with count the recordings."""
    numbers = [int(match[1]) for stem in stems if (match := _LEADING.match(stem))]
    return len(set(numbers)) == len(stems) and min(numbers) <= 1


def _track(files: tuple[Path, ...], numbered: bool) -> DraftTrack:
    tags = _tags(files[0])
    stem = common_stem(files)
    if numbered or stem.startswith("0"):
        stem = _LEADING.sub("", stem)
    named = re.sub(r"[_\s]+", " ", stem if " " in stem else stem.replace("-", " ")).strip() or stem
    isrc = tags.get("isrc")
    try:
        isrc = parse_isrc(isrc) if isrc else None
    except ValueError:
        isrc = None
    return DraftTrack(files, tags.get("title") or named, isrc)


def _tags(path: Path) -> dict[str, str]:
    try:
        with SparingFile(str(path)) as file:
            easy = mutagen.File(file, easy=True)
    except (mutagen.MutagenError, OSError):
        return {}
    tags = easy.tags if easy is not None else None
    found: dict[str, str] = {}
    for key in ("title", "isrc"):
        try:
            values = tags.get(key) if tags else None
        except (KeyError, ValueError, TypeError):
            values = None
        if values and isinstance(values, list) and str(values[0]).strip():
            found[key] = " ".join(str(values[0]).split())
    return found


def _lines(tracks: Sequence[DraftTrack], out: Path) -> Iterator[str]:
    yield from (
        "# A first draft: fill in the empty slots, then `assembler check` this file.",
        "# Codes (ISRC, barcode) come from the owner's allotted range; an empty slot is reported.",
        "release:",
        "  artist:",
        "  title:",
        "  catalogue_number:",
        "  label:",
        "  release_date:",
        "  barcode:",
        "  genre:",
        "  phonogram:",
        "  copyright:",
        "",
        "level:",
        "  match: album",
        "  target: -14",
        "  ceiling: -1",
        "",
        "download:",
        "  formats: [flac-24, mp3-320]",
        "",
        "tracks:",
    )
    for track in tracks:
        paths = [_relative(path, out) for path in track.files]
        yield f"  - title: {yaml_text(track.title)}"
        if len(paths) == 2:
            left, right = (json.dumps(path, ensure_ascii=False) for path in paths)
            yield f"    audio: {{left: {left}, right: {right}}}"
        else:
            yield f"    audio: {yaml_text(paths[0])}"
        yield f"    isrc: {track.isrc}" if track.isrc else "    isrc:"
        yield "    composers:"


def _relative(path: Path, out: Path) -> str:
    return Path(os.path.relpath(path.resolve(), out.parent.resolve())).as_posix()


def write_new(path: Path, text: str) -> None:
    """Write a file that was not there before.

    Raises
    ------
    AssemblerError
        It is there already, or can't be written.
    """
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError as error:
        raise AssemblerError(f"{path}: is there already: name another file with --out") from error
    except OSError as error:
        raise AssemblerError(f"{path}: can't be written: {error.strerror}") from error
