"""The command `build`: one release or several, stopped cleanly by a signal."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, NoReturn

from assembler.cancel import STOPPED, Cancelled, CancelToken
from assembler.commands.console.progress import progress_shown
from assembler.commands.console.tables import print_build, print_explanation, print_jobs
from assembler.commands.console.terminal import say
from assembler.errors import AssemblerError
from assembler.finished.release_folder import clear_up_at_once
from assembler.release.batch import Job, build_jobs, manifests_at, plan_jobs

_GRACE_S = 1.5
"""Time for all threads to end of themselves; compiling a sound loop can take longer."""

_STOPS = [one for name in ("SIGINT", "SIGTERM", "SIGHUP") if (one := getattr(signal, name, None))]
"""Ctrl-C, a polite kill, and a terminal that is closed."""

Print = Callable[[Any], None]


def run_build(
    options: argparse.Namespace, rooms: Sequence[str], say_first: Callable[[], None], print_: Print
) -> bool:
    """Build what was asked for, and print what came of it.

    Parameters
    ----------
    options
        As typed: manifests, out, jobs, zip, explain, json.
    rooms
        Kinds of deliverable to make.
    say_first
        Says what is to be said before the first sound is touched.
    print_
        Prints a JSON document.

    Returns
    -------
    bool
        All were made.

    Raises
    ------
    AssemblerError
        The one release that was asked for can't be made, or there is none to make.
    Cancelled
        A signal came.
    """
    several = len(options.manifests) > 1 or options.manifests[0].is_dir()
    done: list[Job] = []
    try:
        with _Signals() as signals:
            _build_all(options, rooms, say_first, signals, done)
    except Cancelled:
        if several and options.json:
            print_({"ok": False, "stopped": True, "releases": [job.as_json() for job in done]})
            end_at_once()
        raise
    if not several:
        return _tell_one(done[0], options, print_)
    ok = all(job.report for job in done)
    if options.json:
        print_({"ok": ok, "releases": [job.as_json() for job in done]})
        return ok
    print_jobs(done)
    for job in done:
        if options.explain and job.report:
            say(f"\n{job.report.release_dir}")
            print_explanation(job.report)
    return ok


def _build_all(
    options: argparse.Namespace,
    rooms: Sequence[str],
    say_first: Callable[[], None],
    signals: _Signals,
    done: list[Job],
) -> None:
    workers = options.jobs or os.cpu_count() or 1
    jobs = plan_jobs(manifests_at(options.manifests), options.out)
    if any(job.target for job in jobs):
        say_first()
    signals.raise_at_once = False
    with progress_shown(workers, quiet=options.json) as (progress, board):
        board.note = _count(done, jobs)
        for job in build_jobs(
            jobs,
            only=rooms,
            jobs=workers,
            packages=options.zip,
            progress=progress,
            stop=signals.stop,
        ):
            done.append(job)
            board.note = _count(done, jobs)


def _count(done: Sequence[Job], jobs: Sequence[Job]) -> str:
    return f"{len(done)} of {len(jobs)} releases" if len(jobs) > 1 else ""


def _tell_one(job: Job, options: argparse.Namespace, print_: Print) -> bool:
    if job.error or not job.report:
        raise job.error or AssemblerError(STOPPED)
    if options.json:
        print_(job.report.as_json())
        return True
    print_build(job.report)
    if options.explain:
        print_explanation(job.report)
    return True


class _Signals:
    """The signals that end a build, as a stop that the work heeds; further ones change nothing."""

    def __init__(self) -> None:
        self.stop = CancelToken()
        self.raise_at_once = True
        """As long as this thread only reads; later it waits for those that work."""
        self._has_come = False
        self._last_way = threading.Timer(_GRACE_S, _leave)
        self._last_way.daemon = True
        self._before: dict[int, Any] = {}

    def __enter__(self) -> _Signals:
        if threading.current_thread() is threading.main_thread():
            for one in _STOPS:
                if signal.getsignal(one) != signal.SIG_IGN:  # as nohup leaves it
                    self._before[one] = signal.signal(one, self._tell)
        return self

    def _tell(self, _signal: int, _frame: object) -> None:
        if self._has_come:
            return
        self._has_come = True
        self.stop.now()
        if self.raise_at_once:
            raise Cancelled
        self._last_way.start()

    def __exit__(self, *_error: object) -> None:
        self._last_way.cancel()
        for one, handler in self._before.items():
            # After a signal the process only puts its work away and ends: no other may disturb it.
            signal.signal(one, signal.SIG_IGN if self._has_come else handler)


def _leave() -> None:
    clear_up_at_once()
    with suppress(OSError):  # the terminal may be closed
        say(STOPPED, stderr=True)
    end_at_once()


def end_at_once() -> NoReturn:
    """End the process when its work has been put away: to take Python down can take a second."""
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError):
            stream.flush()
    os._exit(1)
