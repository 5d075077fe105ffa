"""What every command has: a name, a line of help, its arguments and what it does."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

DONE, ERRORS_FOUND, WRONG_USAGE = 0, 1, 2
"""Exit codes."""


@dataclass(frozen=True)
class Command:
    """One command.

    Attributes
    ----------
    name
        As typed.
    help
        What it does, in one line.
    add_arguments
        Adds its arguments to a parser.
    run
        Runs it and returns its exit code.
    no_results
        What its JSON document holds in place of results where it was stopped.
    """

    name: str
    help: str
    add_arguments: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], int]
    no_results: Mapping[str, Any] = field(default_factory=dict)
