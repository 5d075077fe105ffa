"""The pairs of songs and recordings that `draft` found, in a terminal."""

from __future__ import annotations

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from assembler.commands.console.rich_console import new_console
from assembler.draft.first_manifest import Draft


def print_draft(draft: Draft) -> None:
    """Print the pairs as a table; then, on standard error, guesses and lines left out."""
    console = new_console()
    table = Table(box=SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("Song", ratio=1, overflow="fold")
    table.add_column("Recording", ratio=1, overflow="fold")
    table.add_column("Matched by", no_wrap=True)
    for number, pair in enumerate(draft.pairs, 1):
        matched_by = Text(pair.how or "–")
        if pair.doubt:
            matched_by = Text(f"{pair.how}, a guess", style="yellow")
        table.add_row(
            str(number),
            Text(pair.song.title) if pair.song else Text("not in the list", style="yellow"),
            Text(pair.recording.file_names) if pair.recording else Text("none", style="yellow"),
            matched_by,
        )
    console.print(table)
    errors = new_console(stderr=True)
    for warning in draft.warnings:
        text = Text("warning", style="yellow").append(f" {warning}", style="default")
        errors.print(text, soft_wrap=not errors.is_terminal)
    for remark in draft.remarks:
        errors.print(Text(remark), soft_wrap=not errors.is_terminal)
