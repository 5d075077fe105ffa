"""``assembler store``: report or clear the cache."""

from __future__ import annotations

import argparse

from assembler.commands.command import DONE, Command
from assembler.commands.console.terminal import say, say_json


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--clear", action="store_true", help="empty the cache; finished releases stay"
    )


def _run(options: argparse.Namespace) -> int:
    from assembler.cache.folder import CacheFolder, cache_path
    from assembler.cache.limit import clear_cache, limit_bytes

    cache, limit = CacheFolder(cache_path()), limit_bytes()
    size = clear_cache(cache) if options.clear else cache.size()
    if options.json:
        document = {
            "folder": str(cache.folder),
            "entries": size.entries,
            "bytes": size.size_bytes,
            "limit_bytes": limit,
        }
        say_json({"ok": True, "cleared": options.clear, **document})
        return DONE
    content = f"{size.entries} entries, {size.size_bytes / 1e6:.0f} MB"
    verb = "cleared" if options.clear else "holds"
    say(f"{cache.folder}: {verb} {content}; limit {limit / 1e9:g} GB")
    return DONE


COMMAND = Command("store", "report the size of the cache, or empty it", _add_arguments, _run)
