"""``assembler export``: write codes and credits as a table."""

from __future__ import annotations

import argparse
from pathlib import Path

from assembler.commands.command import DONE, Command
from assembler.commands.console.terminal import say, say_json
from assembler.text import counted


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="the table to write: .csv, .tsv or .xlsx"
    )
    parser.add_argument("manifest", type=Path, metavar="MANIFEST")


def _run(options: argparse.Namespace) -> int:
    from assembler.manifest import load
    from assembler.tables.export import export_table

    empty = export_table(load(options.manifest), options.file)
    if options.json:
        say_json({"ok": True, "findings": [], "table": str(options.file), "empty_cells": empty})
    else:
        say(f"{options.file}: table written; {counted(empty, 'cell')} empty for the label")
    return DONE


COMMAND = Command(
    "export",
    "write codes and credits as a table for the label to fill in",
    _add_arguments,
    _run,
    {"table": None, "empty_cells": None},
)
