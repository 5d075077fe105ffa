"""``assembler check``: check a manifest before anything is rendered."""

from __future__ import annotations

import argparse
from pathlib import Path

from assembler.commands.arguments import seconds, track_numbers
from assembler.commands.command import DONE, ERRORS_FOUND, Command
from assembler.commands.console.terminal import say_json


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("manifest", type=Path, metavar="MANIFEST")
    parser.add_argument(
        "--without",
        type=track_numbers,
        metavar="N,N",
        default=(),
        help="also try the running order without these tracks",
    )
    parser.add_argument(
        "--gap",
        type=seconds,
        metavar="TIME",
        help="also try the running order with this gap between tracks",
    )
    parser.add_argument(
        "--for",
        dest="audience",
        choices=["shops"],
        help="also check by the published rules of shops and collecting societies",
    )


def _run(options: argparse.Namespace) -> int:
    from assembler.manifest import load_to_check
    from assembler.preflight.check import check
    from assembler.preflight.shops import for_shops
    from assembler.preflight.trial import try_order

    report = check(load_to_check(options.manifest))
    if report.source.manifest.level.hold == "approved" and report.ok:
        from assembler.release.building import check_with_digests

        report = check_with_digests(report)
    if options.audience:
        report = for_shops(report)
    asked = options.without or options.gap is not None
    trial = try_order(report, options.without, options.gap) if asked and report.sections else None
    if options.json:
        what_if = {"what_if": trial.as_json()} if trial else {}
        say_json({**report.as_json(), **what_if})
    else:
        from assembler.commands.console.tables import print_check, print_trial

        print_check(report)
        if trial:
            print_trial(report, trial)
    return DONE if report.ok else ERRORS_FOUND


COMMAND = Command(
    "check",
    "check manifest, files, running order and disc time",
    _add_arguments,
    _run,
    {"disc": None, "discs": [], "tracks": []},
)
