"""What `assembler compare` shows in a terminal: differences by kind, and what is identical."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from assembler.console import new_console

if TYPE_CHECKING:
    from assembler.compare.comparison import Comparison

_GROUPS = {
    "Release": (
        "version", "release", "level", "disc", "download", "sleeve-text", "credits", "transfer",
        "mending", "room", "format", "cover",
    ),
    "Order": ("removed", "added", "moved", "gap", "disc-time"),
    "Tracks": ("words", "setting", "equaliser", "source", "section"),
    "Sound": ("sound", "lossy", "tag", "playing-levels"),
    "Findings": ("finding-gone", "finding-new", "finding-changed"),
    "Other files that differ": ("files",),
}  # fmt: skip
_STYLES = {"added": "green", "removed": "yellow", "sound": "yellow", "lossy": "yellow"}


def print_comparison(comparison: Comparison) -> None:
    """Print the differences between two releases, and what is identical."""
    console = new_console()
    for name, folder in (("A", comparison.a), ("B", comparison.b)):
        console.print(Text(f"{name}  {folder}", style="dim"), soft_wrap=True)
    for group, codes in _GROUPS.items():
        lines = [one for one in comparison.differences if one.code in codes]
        if lines:
            console.print(Text(group, style="bold"))
        for one in lines:
            text = Text(one.message, style=_STYLES.get(one.code, ""))
            _print_indented(console, text)
    console.print(Text(comparison.verdict, style="green"))
    for proof in comparison.proofs:
        _print_indented(console, Text(proof, style="dim"))


def _print_indented(console: Console, text: Text) -> None:
    for line in text.wrap(console, console.width - 4):
        line.rstrip()
        console.print(Text("  ").append_text(line), soft_wrap=True)
