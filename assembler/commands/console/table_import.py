"""The rows that `import` matched with tracks, and the changes, in a terminal."""

from __future__ import annotations

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from assembler.commands.console.rich_console import new_console
from assembler.commands.console.tables import print_findings
from assembler.draft.list_fields import LIST_FIELDS
from assembler.tables.import_plan import ImportPlan
from assembler.tables.matching import RowMatch
from assembler.text import NOTHING

_STYLES = {"fill": "green", "replace": "yellow", "clash": "yellow"}
_KINDS = {"fill": "new", "replace": "replaced", "clash": "kept"}


def print_import(plan: ImportPlan) -> None:
    """Print the match of each row, then each change, then the findings."""
    console = new_console()
    console.print(_matches(plan))
    if plan.changes:
        console.print(_changes(plan))
    print_findings(plan.findings)


def _matches(plan: ImportPlan) -> Table:
    table = _table(("Row", "right"), ("In the table", ""), ("Track", "right"), ("Title", ""))
    table.add_column("Confidence", no_wrap=True)
    table.add_column("Agreeing", overflow="fold")
    for match in plan.matches:
        track = plan.tracks[match.index] if match.index is not None else None
        style = "" if match.is_applied else "yellow"
        table.add_row(
            str(match.row.line),
            Text(match.row.title or match.row.isrc or NOTHING),
            str(track.number) if track else NOTHING,
            Text(track.track.full_title if track else "no track"),
            Text(_confidence(match), style=style),
            Text(", ".join(match.by) or NOTHING),
        )
    return table


def _confidence(match: RowMatch) -> str:
    if match.index is None:
        return "left out"
    confidence = match.confidence or ""
    return confidence if match.is_applied else f"{confidence}, left out"


def _changes(plan: ImportPlan) -> Table:
    table = _table(("Track", "right"), ("Field", ""), ("In the manifest", ""), ("In the table", ""))
    table.add_column("Result", no_wrap=True)
    for change in plan.changes:
        table.add_row(
            str(change.index + 1),
            LIST_FIELDS[change.name].name,
            Text(change.before or NOTHING),
            Text(change.after),
            Text(_KINDS[change.kind], style=_STYLES[change.kind]),
        )
    return table


def _table(*columns: tuple[str, str]) -> Table:
    table = Table(box=SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    for heading, justify in columns:
        if justify:
            table.add_column(heading, justify="right", no_wrap=True)
        else:
            table.add_column(heading, ratio=1, overflow="fold")
    return table
