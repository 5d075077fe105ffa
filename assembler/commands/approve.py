"""``assembler approve``: keep the artist's approval."""

from __future__ import annotations

import argparse
from pathlib import Path

from assembler.commands.command import DONE, Command
from assembler.commands.console.terminal import say, say_json


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "approval", type=Path, metavar="FILE", help="the file that the proof page saved"
    )
    parser.add_argument(
        "manifest", type=Path, nargs="?", metavar="MANIFEST", help="default: the one beside FILE"
    )


def _run(options: argparse.Namespace) -> int:
    from assembler.proof.approval import signed
    from assembler.release.approvals import keep_approval

    kept, approval, points = keep_approval(options.approval, options.manifest)
    if options.json:
        signature = {"name": approval.name, "date": approval.date}
        heard = approval.heard.model_dump(mode="json") if approval.heard else None
        say_json(
            {"ok": True, "kept": str(kept), **signature, "open_points": points, "heard": heard}
        )
        return DONE
    for point in points:
        say(point)
    if approval.heard:
        say(str(approval.heard))
    count = f"{len(points)} open point{'s' * (len(points) > 1)}, signed"
    say(f"{kept}: {count if points else 'approved'}{signed(approval)}")
    say("the next build reports whether the release is still the approved one")
    return DONE


COMMAND = Command("approve", "keep the artist's approval beside the manifest", _add_arguments, _run)
