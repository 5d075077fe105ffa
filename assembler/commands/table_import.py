"""``assembler import``: fill in codes and credits from a table."""

from __future__ import annotations

import argparse
from pathlib import Path

from assembler.commands.arguments import row_and_track
from assembler.commands.command import DONE, ERRORS_FOUND, Command
from assembler.commands.console.terminal import say, say_json
from assembler.text import counted


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="a table: CSV, TSV, XLSX, or the text of a mail"
    )
    parser.add_argument("manifest", type=Path, metavar="MANIFEST")
    parser.add_argument("--dry-run", action="store_true", help="show the changes, write nothing")
    parser.add_argument(
        "--replace", action="store_true", help="also replace values that the manifest has"
    )
    parser.add_argument(
        "--match",
        type=row_and_track,
        action="append",
        default=[],
        metavar="ROW=TRACK",
        help="this row of the table is this track, as in --match 5=3; for a row that is not "
        "matched with high confidence",
    )


def _run(options: argparse.Namespace) -> int:
    from assembler.manifest import load
    from assembler.tables.changes import plan_import
    from assembler.tables.manifest_text import edited_text, write_manifest

    source = load(options.manifest)
    plan = plan_import(options.file, source, dict(options.match), may_replace=options.replace)
    text, written, unwritten = edited_text(source, plan.written)
    plan = plan.with_edits(written, unwritten)
    if not options.json:
        from assembler.commands.console.table_import import print_import

        print_import(plan)
    writes = plan.ok and bool(written) and not options.dry_run
    if writes:
        write_manifest(source, text)
    if options.json:
        shown = [finding.as_json() for finding in plan.findings]
        say_json({"ok": plan.ok, "findings": shown, **plan.as_json(), "written": writes})
    else:
        changes = counted(len(written), "change")
        state = "written" if writes else "nothing is written"
        if not plan.ok:
            changes = "errors found"
        elif options.dry_run and written:
            state = "a dry run: nothing is written"
        say(f"{source.path}: {changes}; {state}")
    return DONE if plan.ok else ERRORS_FOUND


COMMAND = Command(
    "import",
    "fill in codes and credits from a table or a mail",
    _add_arguments,
    _run,
    {"rows": [], "changes": [], "written": False},
)
