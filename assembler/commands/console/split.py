"""The songs that `split` found on sides, in a terminal, with the confidence of each cut."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from assembler.commands.console.rich_console import new_console
from assembler.restoration.split.confidence import level_of
from assembler.restoration.split.split import Split
from assembler.text import clock_text, decimal, duration_text

COST = (
    "cost {cost}: raised by short songs, talk inside a song, durations that differ from the list "
    "and sound left out; lowered by long, deep pauses at the cuts"
)


def print_split(sides: Sequence[tuple[str, Split]], titles: Sequence[str]) -> None:
    """Print the songs of sides, the cuts to listen to, and what is left out.

    Parameters
    ----------
    sides
        Name and split of each side, in the order of the release.
    titles
        Of the songs, through all sides.
    """
    console = new_console()
    number = 0
    for name, split in sides:
        named = [*titles[number:], *[""] * len(split.songs)][: len(split.songs)]
        console.print(_table(name, split, named, number + 1))
        for line in _doubtful_cuts(split, number + 1):
            console.print(Text(line, style="yellow"), soft_wrap=not console.is_terminal)
        for remark in split.remarks:
            console.print(Text(remark), soft_wrap=not console.is_terminal)
        cost = Text(COST.format(cost=decimal(split.cost)), style="dim")
        console.print(cost, soft_wrap=not console.is_terminal)
        number += len(split.songs)
    if titles[number:]:
        left = ", ".join(titles[number:])
        missing = Text(f"no song found for: {left}", style="yellow")
        console.print(missing, soft_wrap=not console.is_terminal)


def _table(name: str, split: Split, titles: Sequence[str], first_number: int) -> Table:
    table = Table(box=SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("", justify="right", no_wrap=True)
    table.add_column(Text(name), ratio=1, overflow="fold")
    for heading in ("Start", "End", "Length", "Confidence"):
        table.add_column(heading, justify="right", no_wrap=True)
    for number, (song, title) in enumerate(zip(split.songs, titles, strict=True), first_number):
        table.add_row(
            str(number),
            Text(title) if title else Text("no title", style="yellow"),
            clock_text(song.start_s),
            clock_text(song.end_s),
            duration_text(song.end_s - song.start_s),
            _level(song.confidence),
        )
    return table


def _level(confidence: float) -> Text:
    level = level_of(confidence)
    return Text(level, style="green" if level == "high" else "yellow")


def _doubtful_cuts(split: Split, first_number: int) -> Iterator[str]:
    """List each cut whose confidence isn't high, with the reason; a cut of two songs once."""
    last_s = -1.0
    for number, song in enumerate(split.songs, first_number):
        for what, cut in (("begins", song.begin), ("ends", song.end)):
            level = level_of(cut.confidence)
            if level != "high" and cut.at_s != last_s:
                yield f"{number} {what} at {clock_text(cut.at_s)}, confidence {level}: {cut.why}"
                last_s = cut.at_s
