"""``assembler schema``: print the JSON Schema of the manifest."""

from __future__ import annotations

import argparse

from assembler.commands.command import DONE, Command
from assembler.commands.console.terminal import say_json


def _add_arguments(_parser: argparse.ArgumentParser) -> None:
    pass


def _run(_options: argparse.Namespace) -> int:
    from assembler.manifest.schema import manifest_schema

    say_json(manifest_schema())
    return DONE


COMMAND = Command(
    "schema", "print the JSON Schema of the manifest, for editors", _add_arguments, _run
)
