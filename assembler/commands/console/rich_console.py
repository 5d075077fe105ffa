"""The console that tables and findings are printed to; control characters are removed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from assembler.commands.console.terminal import printable

SEVERITY_STYLES = {"error": "bold red", "warning": "yellow", "note": "cyan"}
MONO = " (mono)"
"""Follows the name of a recording or track of one channel."""


class PlainConsole(Console):
    """A console that prints no control characters but its own colours and line ends."""

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Return the segments to print, without control characters."""
        for text, style, control in super().render(renderable, options):
            yield Segment(text if control else printable(text), style, control)


def new_console(*, stderr: bool = False, **options: Any) -> PlainConsole:
    """Return a console that prints text as it is, without markup."""
    return PlainConsole(stderr=stderr, highlight=False, markup=False, emoji=False, **options)
