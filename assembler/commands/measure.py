"""``assembler measure``: measure loudness and peaks."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from assembler.commands.arguments import add_jobs, track_or_album
from assembler.commands.command import DONE, Command
from assembler.commands.console.first_run import say_if_compiling
from assembler.commands.console.terminal import say_json
from assembler.errors import AssemblerError

if TYPE_CHECKING:
    from assembler.preflight.track_section import ToneMatch


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("paths", type=Path, nargs="+", metavar="MANIFEST-or-FILES")
    parser.add_argument(
        "--tone-like",
        type=track_or_album,
        metavar="N|album",
        help="also print the EQ bands that match each track to this one, or to the mean of all",
    )
    add_jobs(parser)


def _run(options: argparse.Namespace) -> int:
    from assembler.mastering.measure import measure_files

    say_if_compiling()
    paths = options.paths
    tones: dict[int, ToneMatch] = {}
    if len(paths) == 1 and paths[0].suffix.lower() in (".yaml", ".yml"):
        from assembler.manifest import load
        from assembler.mastering.measure_tracks import measure_manifest
        from assembler.release.building import measured_tones

        source = load(paths[0])
        measurements = measure_manifest(source, jobs=options.jobs)
        tones = measured_tones(source, options.tone_like, options.jobs)
    elif options.tone_like is not None:
        raise AssemblerError("--tone-like needs a manifest, whose tracks it names: give its path")
    else:
        measurements = measure_files(paths, jobs=options.jobs)
    if options.json:
        found = [measurement.as_json() for measurement in measurements]
        if tones:
            from assembler.mastering.levels import tone_json

            for index, tone in tones.items():
                found[index]["tone"] = tone_json(tone)
        say_json({"files": found})
    else:
        from assembler.commands.console.measurements import print_measurements, print_tones

        print_measurements(measurements)
        print_tones(tones)
    return DONE


COMMAND = Command("measure", "measure loudness and peaks", _add_arguments, _run, {"files": []})
