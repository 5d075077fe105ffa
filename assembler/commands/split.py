"""``assembler split``: find where the songs of a side begin and end."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from assembler.commands.arguments import add_sides
from assembler.commands.command import DONE, Command
from assembler.commands.console.first_run import say_if_compiling
from assembler.commands.console.terminal import say, say_json

if TYPE_CHECKING:
    from assembler.restoration.named_sides import NamedSide
    from assembler.restoration.split.split import Split


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    add_sides(parser)
    parser.add_argument("--titles", type=Path, metavar="FILE", help="a song list, as in a mail")
    parser.add_argument("--count", type=int, metavar="N", help="the number of songs")
    parser.add_argument("--clips", type=Path, metavar="DIR", help="write a clip of each cut")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the `tracks:` section here")


def _run(options: argparse.Namespace) -> int:
    from assembler.commands.console.split import print_split
    from assembler.commands.sides import opened_sides
    from assembler.draft.first_manifest import write_new
    from assembler.draft.song_list import read_song_list
    from assembler.restoration.split.restored_programme import read_programme
    from assembler.restoration.split.several_sides import split_sides
    from assembler.restoration.split.side_tracks import tracks_section

    say_if_compiling()
    song_list = read_song_list(options.titles) if options.titles else None
    songs = song_list.songs if song_list else None
    titles = [song.title for song in songs or ()]
    remarks = song_list.remarks_of(options.titles) if song_list else []
    for remark in remarks:
        say(remark, stderr=True)
    with opened_sides(options.sides) as sides:
        readings = [
            (side.name, read_programme(side.restored(), side.recording.rate_hz)) for side in sides
        ]
        splits = split_sides(readings, options.count, songs)
        section = tracks_section(splits, titles)
        clips = _write_clips(options.clips, sides, splits) if options.clips else []
    if options.out:
        write_new(options.out, section)
    if options.json:
        documents = [{"name": name, **split.as_json()} for name, split in splits]
        say_json({"ok": True, "sides": documents, "tracks": section, "remarks": remarks})
        return DONE
    print_split(splits, titles)
    if options.out:
        say(options.out)
    else:
        say("Paste into the manifest, below `tracks:`:")
        say(section.removeprefix("tracks:\n").rstrip("\n"))
    if clips:
        say(f"{options.clips}: {len(clips)} clips of the cuts")
    return DONE


def _write_clips(
    folder: Path, sides: Sequence[NamedSide], splits: Sequence[tuple[str, Split]]
) -> list[Path]:
    from assembler.commands.sides import writing_to
    from assembler.restoration.split.split_clips import write_split_clips

    clips: list[Path] = []
    first = 1
    with writing_to(folder):
        for side, (_, split) in zip(sides, splits, strict=True):
            clips += write_split_clips(folder, side.recording, split, first)
            first += len(split.songs)
    return clips


COMMAND = Command(
    "split",
    "find where the songs of a side begin and end",
    _add_arguments,
    _run,
    {"sides": [], "tracks": ""},
)
