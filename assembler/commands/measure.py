"""``assembler measure``: measure loudness and peaks."""

from __future__ import annotations

import argparse
from pathlib import Path

from assembler.commands.arguments import add_jobs
from assembler.commands.command import DONE, Command
from assembler.commands.console.first_run import say_if_compiling
from assembler.commands.console.terminal import say_json


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("paths", type=Path, nargs="+", metavar="MANIFEST-or-FILES")
    add_jobs(parser)


def _run(options: argparse.Namespace) -> int:
    from assembler.manifest import load
    from assembler.mastering.measure import measure_files, measure_manifest

    say_if_compiling()
    paths = options.paths
    if len(paths) == 1 and paths[0].suffix.lower() in (".yaml", ".yml"):
        measurements = measure_manifest(load(paths[0]), jobs=options.jobs)
    else:
        measurements = measure_files(paths, jobs=options.jobs)
    if options.json:
        say_json({"files": [measurement.as_json() for measurement in measurements]})
    else:
        from assembler.commands.console.tables import print_measurements

        print_measurements(measurements)
    return DONE


COMMAND = Command("measure", "measure loudness and peaks", _add_arguments, _run, {"files": []})
