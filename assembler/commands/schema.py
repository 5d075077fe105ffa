"""``assembler schema``: print the JSON Schema of the manifest, or of release.json."""

from __future__ import annotations

import argparse

from assembler.commands.command import DONE, Command
from assembler.commands.console.terminal import say_json


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--release",
        action="store_true",
        help="print the schema of download/release.json, for those who read it",
    )


def _run(options: argparse.Namespace) -> int:
    from assembler.download.tables import ReleaseTable
    from assembler.manifest import Manifest
    from assembler.manifest.schema import schema_of

    say_json(schema_of(ReleaseTable if options.release else Manifest))
    return DONE


COMMAND = Command(
    "schema", "print the JSON Schema of the manifest, or of release.json", _add_arguments, _run
)
