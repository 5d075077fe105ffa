"""The console that tables and findings are printed to; see `terminal` for what it leaves out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from assembler.commands.console.terminal import printable


class PlainConsole(Console):
    """A console whose texts hold no control characters but its own colours and line ends."""

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Return the segments of something to print, control characters left out."""
        for text, style, control in super().render(renderable, options):
            yield Segment(text if control else printable(text), style, control)


def new_console(*, stderr: bool = False, **options: Any) -> PlainConsole:
    """Return a console that prints text as it is: brackets and colons in a path are no markup."""
    return PlainConsole(stderr=stderr, highlight=False, markup=False, emoji=False, **options)
