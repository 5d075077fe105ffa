"""``assembler compare``: list what differs between two finished releases."""

from __future__ import annotations

import argparse
from pathlib import Path

from assembler.commands.arguments import add_jobs
from assembler.commands.command import DONE, Command
from assembler.commands.console.terminal import say_json


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("before", type=Path, metavar="A", help="folder of the earlier release")
    parser.add_argument("after", type=Path, metavar="B", help="folder of the later release")
    add_jobs(parser)


def _run(options: argparse.Namespace) -> int:
    from assembler.compare.comparison import compare

    comparison = compare(options.before, options.after, jobs=options.jobs)
    if options.json:
        say_json(comparison.as_json())
    else:
        from assembler.commands.console.comparison import print_comparison

        print_comparison(comparison)
    return DONE


COMMAND = Command(
    "compare",
    "list the differences between two releases; null test",
    _add_arguments,
    _run,
    {"identical": None, "differences": [], "verdict": None, "proofs": []},
)
