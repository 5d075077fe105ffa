"""The commands for tape sides: survey and split. They parse nothing and work out nothing."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from assembler.commands.console.terminal import say
from assembler.draft.first_manifest import write_new
from assembler.errors import AssemblerError
from assembler.file_names import distinct_names
from assembler.restoration.named_sides import NamedSide, named_sides

PrintJson = Callable[[Any], None]


@contextmanager
def _opened(given: list[str]) -> Iterator[list[NamedSide]]:
    with tempfile.TemporaryDirectory() as scratch:
        sides = named_sides(given, Path(scratch))
        for doubt in dict.fromkeys(doubt for side in sides for doubt in side.recording.doubts):
            say(f"warning {doubt}", stderr=True)
        yield sides


def run_survey(options: argparse.Namespace, print_json: PrintJson) -> None:
    """Tell what each side is and what is wrong with it; write its picture where one is asked for.

    Raises
    ------
    AssemblerError
        A side can't be read, or a picture can't be written.
    """
    from assembler.commands.console.survey import print_survey
    from assembler.restoration.survey.side_picture import write_side_picture
    from assembler.restoration.survey.side_places import places_text
    from assembler.restoration.survey.survey import survey

    told = []
    with _opened(options.sides) as sides:
        names = distinct_names([side.name for side in sides])
        for side, name in zip(sides, names, strict=True):
            found = survey(side.recording, jobs=options.jobs)
            picture = places = None
            if options.pictures:
                picture = options.pictures / f"{name}.png"
                places = picture.with_suffix(".txt")
                with _writing(options.pictures):
                    write_side_picture(picture, side.name, found)
                    places.write_text(places_text(side.name, found), "utf-8", "backslashreplace")
            if options.json:
                written = {"picture": picture, "places": places}
                shown = {kind: str(path) if path else None for kind, path in written.items()}
                told.append({"name": side.name, **found.as_json(), **shown})
            else:
                files = () if side.is_in_manifest else [str(path) for path in side.files]
                print_survey(side.name, found, files)
                for path in filter(None, (picture, places)):
                    say(path)
    if options.json:
        print_json({"ok": True, "sides": told})


def run_split(options: argparse.Namespace, print_json: PrintJson) -> None:
    """Propose where the songs of sides begin and end; write tracks and clips where asked for.

    Raises
    ------
    AssemblerError
        A side or the song list can't be read, or no song is found.
    """
    from assembler.commands.console.split import print_split
    from assembler.draft.song_list import read_song_list
    from assembler.restoration.split.restored_programme import read_programme
    from assembler.restoration.split.several_sides import split_sides
    from assembler.restoration.split.side_tracks import tracks_section
    from assembler.restoration.split.split_clips import write_split_clips

    listed = read_song_list(options.titles) if options.titles else None
    songs = listed.songs if listed else None
    titles = [song.title for song in songs or ()]
    remarks = listed.remarks_of(options.titles) if listed else []
    for remark in remarks:
        say(remark, stderr=True)
    with _opened(options.sides) as sides:
        readings = []
        for side in sides:
            rate_hz = side.recording.rate_hz
            readings.append((side.name, read_programme(side.restored(), rate_hz)))
        splits = split_sides(readings, options.count, songs)
        text = tracks_section(splits, titles)
        clips: list[Path] = []
        if options.clips:
            with _writing(options.clips):
                first = 1
                for side, (_, split) in zip(sides, splits, strict=True):
                    clips += write_split_clips(options.clips, side.recording, split, first)
                    first += len(split.songs)
    if options.out:
        write_new(options.out, text)
    if options.json:
        told = [{"name": name, **split.as_json()} for name, split in splits]
        print_json({"ok": True, "sides": told, "tracks": text, "remarks": remarks})
        return
    print_split(splits, titles)
    if options.out:
        say(options.out)
    else:
        say("Under `tracks:` of the manifest:")
        say(text.removeprefix("tracks:\n").rstrip("\n"))
    if clips:
        say(f"{options.clips}: {len(clips)} clips around the cuts")


@contextmanager
def _writing(folder: Path) -> Iterator[None]:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except OSError as error:
        raise AssemblerError(f"{folder}: can't be written: {error.strerror}") from error
