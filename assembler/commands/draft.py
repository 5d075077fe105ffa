"""``assembler draft``: write a first manifest."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

from assembler.commands.command import DONE, Command
from assembler.commands.console.terminal import say, say_json


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument(
        "--titles", type=Path, metavar="FILE", help="a song list, one title per line"
    )
    parser.add_argument("--out", type=Path, metavar="M.yaml", help="default: FOLDER/manifest.yaml")


def _run(options: argparse.Namespace) -> int:
    from assembler.draft.first_manifest import draft_manifest, write_new

    out = options.out or options.folder / "manifest.yaml"
    draft = draft_manifest(options.folder, out, options.titles)
    write_new(out, draft.text)
    if options.json:
        say_json({"ok": True, "manifest": str(out), **draft.as_json()})
        return DONE
    if draft.pairs:
        from assembler.commands.console.draft import print_draft

        print_draft(draft)
    say(f"{out}: first manifest written; fill in its empty values, then run")
    say(f"  {shlex.join(['assembler', 'check', str(out)])}")
    return DONE


COMMAND = Command(
    "draft",
    "write a first manifest from a folder of audio files",
    _add_arguments,
    _run,
    {"manifest": None, "pairs": [], "remarks": []},
)
