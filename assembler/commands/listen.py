"""``assembler listen``: hear and set every decision on a page in the browser."""

from __future__ import annotations

import argparse
import sys
import webbrowser
from pathlib import Path

from assembler.commands.command import DONE, Command
from assembler.commands.console.terminal import say, say_json


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("manifest", type=Path, metavar="MANIFEST")
    parser.add_argument(
        "--port", type=int, default=0, metavar="N", help="default: a free one; on this machine only"
    )
    parser.add_argument("--no-browser", action="store_true", help="print the page's address only")


def _run(options: argparse.Namespace) -> int:
    from assembler.listen.session import session

    with session(options.manifest, options.port) as (url, serve):
        if options.json:
            say_json({"url": url}, indent=None)
        else:
            say(f"Listening page: {url}")
            say("Turn the volume down before you play. Ctrl-C ends it.")
        sys.stdout.flush()  # to a pipe or a file it would come when the page ends
        if not options.no_browser and not options.json:
            webbrowser.open(url)
        serve()
    return DONE


COMMAND = Command(
    "listen",
    "hear and set every decision on a page in the browser",
    _add_arguments,
    _run,
)
