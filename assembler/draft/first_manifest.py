"""Write a first manifest: one track per audio file, unknown keys left empty, nothing invented."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from assembler.draft.listed_song import ListedSong
from assembler.draft.pairing import SongPair, paired_songs
from assembler.draft.recordings import recordings_in
from assembler.draft.song_list import SongList, read_song_list
from assembler.errors import AssemblerError
from assembler.manifest.yaml_scalar import yaml_text
from assembler.text import counted, shorten


@dataclass(frozen=True)
class Draft:
    """A first manifest."""

    text: str
    pairs: list[SongPair] = field(default_factory=list)
    """Songs of the list with their recordings; empty without a list."""
    remarks: list[str] = field(default_factory=list)
    """Parts of the list that were not understood or have no recording."""
    warnings: list[str] = field(default_factory=list)
    """Pairs that are guesses, with the reason."""

    def as_json(self) -> dict[str, Any]:
        """Return the draft as plain data for ``--json``, without its text."""
        return {
            "pairs": [
                {
                    "title": pair.song.title if pair.song else None,
                    "files": [str(path) for path in pair.recording.files] if pair.recording else [],
                    "matched_by": pair.how,
                    "guess": bool(pair.doubt),
                    "doubt": pair.doubt or None,
                }
                for pair in self.pairs
            ],
            "remarks": [*self.remarks, *self.warnings],
        }


def draft_manifest(folder: Path, out: Path, titles_file: Path | None = None) -> Draft:
    """Return a first manifest of a folder's audio files, for a path that its own are relative to.

    Raises
    ------
    AssemblerError
        There is no folder, no audio in it, or the list can't be read.
    """
    recordings = recordings_in(folder)
    if titles_file is None:
        pairs = [SongPair(None, recording) for recording in recordings]
        return Draft("\n".join(_lines(pairs, out, listed=False)) + "\n")
    listed = read_song_list(titles_file)
    if not listed.songs:
        raise AssemblerError(f"{titles_file}: no songs recognised: write one title per line")
    pairs = paired_songs(listed.songs, recordings)
    text = "\n".join(_lines(pairs, out, listed=True)) + "\n"
    remarks = [*listed.remarks_of(titles_file), *_unpaired(listed, pairs, titles_file)]
    return Draft(text, pairs, remarks, list(_warnings(pairs)))


def _unpaired(listed: SongList, pairs: Sequence[SongPair], titles_file: Path) -> Iterator[str]:
    recordings = sum(pair.recording is not None for pair in pairs)
    songs = len(listed.songs)
    if songs != recordings:
        counts = f"{counted(songs, 'song')} for {counted(recordings, 'recording')}"
        yield f"{titles_file}: {counts}"
    for pair in pairs:
        if pair.song and not pair.recording:
            yield f"{titles_file}:{pair.song.line}: no recording for `{shorten(pair.song.title)}`"
        if pair.recording and not pair.song:
            yield f"{pair.recording.file_names}: not in the song list; added at the end"


def _warnings(pairs: Sequence[SongPair]) -> Iterator[str]:
    for pair in pairs:
        if pair.song and pair.recording and pair.doubt:
            yield (
                f"`{shorten(pair.song.title)}` with {pair.recording.file_names}: guessed by "
                f"{pair.how}, {pair.doubt}: listen to it"
            )


_HEAD = """\
# A first draft: fill in the empty keys, then run `assembler check` on this file.
# The owner assigns ISRCs, GS1 the barcode; `check` reports a track without an ISRC.
release:
  artist:
  title:
  catalogue_number:
  label:
  release_date:
  barcode:
  genre:
  p_line:
  c_line:

level:
  match: album
  target: -14
  ceiling: -1

download:
  formats: [flac-24, mp3-320]

tracks:"""


def _lines(pairs: Sequence[SongPair], out: Path, *, listed: bool) -> Iterator[str]:
    yield _HEAD
    artists = {pair.song.artist for pair in pairs if pair.song}
    for pair in pairs:
        yield from _track(pair, out, listed=listed)
        if pair.song and pair.song.artist and pair.recording and len(artists) > 1:
            yield f"    artist: {yaml_text(pair.song.artist)}"


def _track(pair: SongPair, out: Path, *, listed: bool) -> Iterator[str]:
    """Yield the lines of a track; a song without recording is a comment, a guess has its reason."""
    song, recording = pair.song, pair.recording
    if recording is None:
        title = song.title if song else ""
        yield f"  # no recording found for this song:\n  # - title: {yaml_text(title)}"
        return
    if pair.doubt:
        reason = shorten(pair.doubt, 200)
        yield f"  # guessed by {pair.how}: {reason}. Listen to it, then remove this line."
    elif listed and song is None:
        yield "  # not in the song list"
    yield f"  - title: {yaml_text(song.title if song else recording.title)}"
    if song and song.version:
        yield f"    version: {yaml_text(song.version)}"
    paths = [_relative(path, out) for path in recording.files]
    if len(paths) == 2:
        left, right = (json.dumps(path, ensure_ascii=False) for path in paths)
        yield f"    audio: {{left: {left}, right: {right}}}"
    else:
        yield f"    audio: {yaml_text(paths[0])}"
    isrc = (song and song.isrc) or recording.isrc
    yield f"    isrc: {isrc}" if isrc else "    isrc:"
    yield from _people(song)
    if song and song.disc:
        yield f"    disc: {song.disc}"


def _people(song: ListedSong | None) -> Iterator[str]:
    if not song or not song.composers:
        yield "    composers:"
    for key in ("composers", "lyricists", "arrangers") if song else ():
        if names := list(getattr(song, key)):
            yield f"    {key}: {json.dumps(names, ensure_ascii=False)}"
    if song and song.publisher:
        yield f"    publisher: {yaml_text(song.publisher)}"


def _relative(path: Path, out: Path) -> str:
    return Path(os.path.relpath(path.resolve(), out.parent.resolve())).as_posix()


def write_new(path: Path, text: str) -> None:
    """Write a new file.

    Raises
    ------
    AssemblerError
        The file exists already, or can't be written.
    """
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError as error:
        message = f"{path}: the file exists already: name another file with --out"
        raise AssemblerError(message) from error
    except OSError as error:
        reason = (error.strerror or "error").lower()
        message = f"{path}: the file can't be written: {reason}: name another file with --out"
        raise AssemblerError(message) from error
