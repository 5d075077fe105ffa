"""The differences between two releases in a terminal, by kind, and the verdict."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from assembler.commands.console.rich_console import new_console
from assembler.compare.files import MOST_FILES

if TYPE_CHECKING:
    from assembler.compare.comparison import Comparison
    from assembler.compare.difference import Difference

_GROUPS = {
    "Release": (
        "version", "release", "level", "disc", "download", "sleeve-text", "credits", "transfer",
        "room", "format",
    ),
    "Order": ("removed", "added", "moved", "gap", "disc-time"),
    "Tracks": ("words", "setting", "equaliser", "source"),
    "Audio": ("sound", "lossy", "tag", "playing-levels"),
    "Findings": ("finding-gone", "finding-new"),
    "Other files that differ": ("files",),
}  # fmt: skip
_STYLES = {"added": "green", "removed": "yellow", "sound": "yellow", "lossy": "yellow"}


def print_comparison(comparison: Comparison) -> None:
    """Print the differences between two releases, and what was compared."""
    console = new_console()
    for name, folder in (("A", comparison.a), ("B", comparison.b)):
        console.print(Text(f"{name}  {folder}", style="dim"), soft_wrap=True)
    for group, codes in _GROUPS.items():
        lines = [one for one in comparison.differences if one.code in codes]
        if lines:
            console.print(Text(group, style="bold"))
        for one in lines:
            _print_difference(console, one)
    console.print(
        Text(comparison.verdict, "green" if _is_good(comparison) else "bold yellow"),
        soft_wrap=not console.is_terminal,
    )
    for proof in comparison.proofs:
        _print_indented(console, Text(proof, style="dim"))


def _is_good(comparison: Comparison) -> bool:
    return comparison.all_audio_same or not comparison.differences


def _print_difference(console: Console, one: Difference) -> None:
    """Print a difference: on one line, or file names and long values each on their own line."""
    style = _STYLES.get(one.code, "")
    subject, _, text = one.message.partition(": ")
    old, _, new = text.partition(" → ")
    if one.files and subject:
        names = [name.removeprefix(f"{subject}/") for name in one.files]
        more = [f"and {len(names) - MOST_FILES} more"] if len(names) > MOST_FILES else []
        _print_whole(console, f"{subject}:", [*names[:MOST_FILES], *more], style)
    elif new and len(one.message) > console.width - 2:
        _print_whole(console, f"{subject}:", [old, f"→ {new}"], style)
    else:
        _print_indented(console, Text(one.message, style=style))


def _print_whole(console: Console, label: str, lines: Sequence[str], style: str) -> None:
    for line in (f"  {label}", *(f"    {each}" for each in lines)):
        console.print(Text(line, style), soft_wrap=True)


def _print_indented(console: Console, text: Text) -> None:
    for line in text.wrap(console, console.width - 4):
        line.rstrip()
        console.print(Text("  ").append_text(line), soft_wrap=True)
