"""``assembler build``: make one release or several."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from assembler.cancel import CANCELLED_TEXT, Cancelled
from assembler.commands.arguments import add_jobs
from assembler.commands.command import DONE, ERRORS_FOUND, WRONG_USAGE, Command
from assembler.commands.console.first_run import say_if_compiling
from assembler.commands.console.terminal import say, say_json
from assembler.errors import AssemblerError

if TYPE_CHECKING:
    from assembler.commands.signals import BuildSignals
    from assembler.release.batch import Job


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "manifests", type=Path, nargs="+", metavar="MANIFEST", help="or a folder of manifests"
    )
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="default: releases, beside MANIFEST"
    )
    parser.add_argument(
        "--only",
        metavar="PARTS",
        help="make only these parts, separated by commas: disc, download, paper, proof",
    )
    parser.add_argument(
        "--zip",
        action="store_true",
        help="also pack each download format into one zip file, and the proof for a mail",
    )
    parser.add_argument(
        "--explain",
        action="store_true",
        help="list each file: made or reused, and why; and the tasks that did work",
    )
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="build each release on a worker of the Dask cluster with this scheduler; all machines "
        "must see the same files at the same absolute paths; --jobs is per worker",
    )
    add_jobs(parser)


def _run(options: argparse.Namespace) -> int:
    from assembler.commands.signals import BuildSignals, end_at_once
    from assembler.mastering.plan import ROOMS

    parts = tuple(options.only.split(",")) if options.only else ROOMS
    if unknown := [part for part in parts if part not in ROOMS]:
        say(f"--only: unknown: {', '.join(unknown)}; use {', '.join(ROOMS)}", stderr=True)
        return WRONG_USAGE
    several = len(options.manifests) > 1 or options.manifests[0].is_dir()
    done: list[Job] = []
    try:
        with BuildSignals() as signals:
            _build(options, parts, signals, done)
    except Cancelled:
        if several and options.json:
            say_json({"ok": False, "stopped": True, "releases": [job.as_json() for job in done]})
            end_at_once()
        raise
    return _print_several(options, done) if several else _print_one(options, done[0])


def _build(
    options: argparse.Namespace, parts: Sequence[str], signals: BuildSignals, done: list[Job]
) -> None:
    """Build all releases; each is added to `done` when it is finished or has failed."""
    from assembler.commands.console.progress import progress_shown
    from assembler.release.batch import build_jobs, manifests_at, plan_jobs

    manifests, out, build = manifests_at(options.manifests), options.out, build_jobs
    if options.scheduler:
        from assembler.release.cluster import build_on_cluster

        manifests, out = [path.absolute() for path in manifests], out and out.absolute()
        build = partial(build_on_cluster, address=options.scheduler)
    jobs = plan_jobs(manifests, out)
    if not options.scheduler and any(job.target for job in jobs):
        say_if_compiling()
    signals.raise_at_once = False
    workers = options.jobs or os.cpu_count() or 1
    with progress_shown(workers, quiet=options.json) as (progress, board):
        board.note = _count(done, jobs)
        for job in build(
            jobs,
            only=parts,
            jobs=options.jobs,
            packages=options.zip,
            progress=progress,
            token=signals.token,
        ):
            done.append(job)
            board.note = _count(done, jobs)


def _count(done: Sequence[Job], jobs: Sequence[Job]) -> str:
    return f"{len(done)} of {len(jobs)} releases" if len(jobs) > 1 else ""


def _print_one(options: argparse.Namespace, job: Job) -> int:
    from assembler.commands.console.tables import print_build, print_explanation

    if job.error or not job.report:
        raise job.error or AssemblerError(CANCELLED_TEXT)
    if options.json:
        say_json(job.report.as_json())
        return DONE
    print_build(job.report)
    if options.explain:
        print_explanation(job.report)
    return DONE


def _print_several(options: argparse.Namespace, jobs: Sequence[Job]) -> int:
    from assembler.commands.console.tables import print_explanation, print_jobs

    ok = all(job.report for job in jobs)
    if options.json:
        say_json({"ok": ok, "releases": [job.as_json() for job in jobs]})
        return DONE if ok else ERRORS_FOUND
    print_jobs(jobs)
    for job in jobs:
        if options.explain and job.report:
            say(f"\n{job.report.release_dir}")
            print_explanation(job.report)
    return DONE if ok else ERRORS_FOUND


COMMAND = Command(
    "build",
    "make one release or several; again: only what changed",
    _add_arguments,
    _run,
    {"release_dir": None, "made": [], "reused": [], "tracks": []},
)
