"""``assembler survey``: analyse transfers and report faults."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from assembler.commands.arguments import add_jobs, add_sides
from assembler.commands.command import DONE, Command
from assembler.commands.console.first_run import say_if_compiling
from assembler.commands.console.terminal import say, say_json

if TYPE_CHECKING:
    from assembler.restoration.survey.survey import Survey


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    add_sides(parser)
    parser.add_argument(
        "--pictures",
        type=Path,
        metavar="DIR",
        help="write a picture of each side, and a list of its clicks and dropouts",
    )
    add_jobs(parser)


def _run(options: argparse.Namespace) -> int:
    from assembler.commands.console.survey import print_survey
    from assembler.commands.sides import opened_sides
    from assembler.file_names import distinct_names
    from assembler.restoration.survey.survey import survey

    say_if_compiling()
    documents = []
    with opened_sides(options.sides) as sides:
        names = distinct_names([side.name for side in sides])
        for side, name in zip(sides, names, strict=True):
            found = survey(side.recording, jobs=options.jobs)
            written: dict[str, Path] = {}
            if options.pictures:
                written = _write_pictures(options.pictures, name, side.name, found)
            if options.json:
                paths = {
                    kind: str(written[kind]) if written else None for kind in ("picture", "places")
                }
                documents.append({"name": side.name, **found.as_json(), **paths})
            else:
                files = () if side.is_in_manifest else [str(path) for path in side.files]
                print_survey(side.name, found, files)
                for path in written.values():
                    say(path)
    if options.json:
        say_json({"ok": True, "sides": documents})
    return DONE


def _write_pictures(folder: Path, file_name: str, side: str, found: Survey) -> dict[str, Path]:
    """Write a side's picture and the places of its faults; return both paths."""
    from assembler.commands.sides import writing_to
    from assembler.restoration.survey.side_picture import write_side_picture
    from assembler.restoration.survey.side_places import places_text

    picture = folder / f"{file_name}.png"
    places = picture.with_suffix(".txt")
    with writing_to(folder):
        write_side_picture(picture, side, found)
        places.write_text(places_text(side, found), "utf-8", "backslashreplace")
    return {"picture": picture, "places": places}


COMMAND = Command(
    "survey",
    "analyse tape and record transfers and report faults",
    _add_arguments,
    _run,
    {"sides": []},
)
