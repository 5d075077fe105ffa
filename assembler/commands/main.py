"""The command line: parse the arguments, run the command, turn errors into one line each."""

from __future__ import annotations

import argparse
import functools
import os
from collections.abc import Callable, Sequence
from typing import NoReturn

import assembler
from assembler.cancel import CANCELLED_TEXT, Cancelled
from assembler.commands import (
    approve,
    artwork,
    build,
    check,
    compare,
    draft,
    listen,
    measure,
    schema,
    split,
    store,
    survey,
    table_export,
    table_import,
    verify,
)
from assembler.commands.command import ERRORS_FOUND, Command
from assembler.commands.console.terminal import printable, say, say_json
from assembler.errors import AssemblerError, FindingsError, explained
from assembler.findings import Finding

COMMANDS: tuple[Command, ...] = (
    draft.COMMAND,
    survey.COMMAND,
    split.COMMAND,
    table_import.COMMAND,
    table_export.COMMAND,
    check.COMMAND,
    listen.COMMAND,
    measure.COMMAND,
    build.COMMAND,
    verify.COMMAND,
    compare.COMMAND,
    approve.COMMAND,
    artwork.COMMAND,
    store.COMMAND,
    schema.COMMAND,
)
"""In the order of the job."""
TRACEBACK = "ASSEMBLER_TRACEBACK"
"""Environment variable: if set, an error in this program is shown with its traceback."""


def main(arguments: Sequence[str] | None = None, began: Callable[[], None] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments
        As typed; default: those of the process.
    began
        Called as soon as a Ctrl-C can be answered with a message.

    Returns
    -------
    int
        The exit code.
    """
    options = argparse.Namespace(json=False)
    try:
        options = command_parser().parse_args(arguments)
        if began:
            began()
        return int(options.command.run(options))
    except FindingsError as error:
        return _stopped(options, error.findings, None)
    except AssemblerError as error:
        return _stopped(options, (), str(error))
    except KeyboardInterrupt:
        return _stopped(options, (), CANCELLED_TEXT)
    except Cancelled:
        from assembler.commands.signals import end_at_once

        _stopped(options, (), CANCELLED_TEXT)
        end_at_once()
    except Exception as error:
        if TRACEBACK in os.environ:
            raise
        return _stopped(options, (), str(explained(error)))


class _Parser(argparse.ArgumentParser):
    """A parser whose error messages hold no control characters."""

    def error(self, message: str) -> NoReturn:
        """Print usage and error, and exit."""
        super().error(printable(message))


@functools.cache
def command_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands, made once per process."""
    parser = _Parser(
        prog="assembler",
        description="From one YAML manifest to a finished release.",
        epilog="Exit codes: 0 done, 1 errors found, 2 wrong usage.",
    )
    parser.add_argument("--version", action="version", version=assembler.__version__)
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for command in COMMANDS:
        own = commands.add_parser(command.name, help=command.help, description=command.help)
        own.set_defaults(command=command)
        own.add_argument("--json", action="store_true", help="print one JSON document only")
        command.add_arguments(own)
    return parser


def _stopped(options: argparse.Namespace, findings: Sequence[Finding], message: str | None) -> int:
    """Print why a command stopped, and return its exit code."""
    if options.json:
        shown = [finding.as_json() for finding in findings]
        if message is not None:
            shown = [Finding("error", "stopped", "", "", 0, message).as_json()]
        say_json({"ok": False, "findings": shown, **options.command.no_results})
    elif message is not None:
        say(message, stderr=True)
    else:
        from assembler.commands.console.tables import print_findings

        print_findings(findings)
    return ERRORS_FOUND
