"""The progress of a build in a terminal: one bar, the time left, and each worker's task."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from assembler.commands.console.rich_console import new_console
from assembler.release.progress import Progress, Step
from assembler.text import duration_text

WIDEST = 80
_SHOWN_FROM_S = 2.0
"""No estimate of the time left before."""
_ALMOST = 0.95
_FROM_CACHE = 0.1
"""A task done in less than this share of its cost, at the pace so far, came from the cache."""
_REFRESH_HZ = 8


@dataclass(frozen=True)
class _Running:
    what: str
    cost_s: float
    begun_s: float


class Board:
    """What is planned, done and under way; thread-safe.

    Parameters
    ----------
    lines
        Most tasks shown.
    clock
        Returns monotonic time in seconds.
    """

    def __init__(self, lines: int, clock: Callable[[], float] = time.monotonic) -> None:
        self.note = ""
        self._lines = lines
        self._clock = clock
        self._lock = threading.Lock()
        self._begun_s: float | None = None
        self._planned_s = self._done_s = 0.0
        self._made_s = self._spent_s = 0.0
        self._furthest = 0.0
        self._places: list[int | None] = []
        self._running: dict[int, _Running] = {}

    def record(self, step: Step) -> None:
        """Record a step, from the thread that does it."""
        worker = threading.get_ident()
        with self._lock:
            if step.moment == "planned":
                self._planned_s += step.cost_s
            elif step.moment == "begun":
                now_s = self._clock()
                self._begun_s = now_s if self._begun_s is None else self._begun_s
                self._running[worker] = _Running(step.what, step.cost_s, now_s)
                self._take_place(worker)
            elif worker in self._running:
                self._end(self._running.pop(worker))
                self._places[self._places.index(worker)] = None

    def _take_place(self, worker: int) -> None:
        """Keep each worker on its own line."""
        if worker in self._places:
            return
        if None in self._places:
            self._places[self._places.index(None)] = worker
        else:
            self._places.append(worker)

    def _end(self, step: _Running) -> None:
        spent_s = self._clock() - step.begun_s
        self._done_s += step.cost_s
        if spent_s > _FROM_CACHE * step.cost_s / self._speed:
            self._made_s += step.cost_s
            self._spent_s += spent_s

    @property
    def _speed(self) -> float:
        """Cost that one worker completes per second."""
        return self._made_s / self._spent_s if self._made_s and self._spent_s else 1.0

    def _under_way_s(self) -> float:
        now_s, speed = self._clock(), self._speed
        return sum(
            min(_ALMOST * step.cost_s, (now_s - step.begun_s) * speed)
            for step in self._running.values()
        )

    def done(self) -> float:
        """Return the share of the work that is done, from 0 to 1; it never falls."""
        with self._lock:
            if self._planned_s > 0:
                share = (self._done_s + self._under_way_s()) / self._planned_s
                self._furthest = max(self._furthest, min(share, 1.0))
            return self._furthest

    def left_s(self) -> float | None:
        """Estimate the time left from the pace so far; None before there is one."""
        with self._lock:
            if self._begun_s is None:
                return None
            elapsed_s, under_way_s = self._clock() - self._begun_s, self._under_way_s()
            made_s = self._made_s + under_way_s
            if elapsed_s < _SHOWN_FROM_S or made_s <= 0:
                return None
            left_s = max(0.0, self._planned_s - self._done_s - under_way_s)
            return left_s * elapsed_s / made_s

    def steps(self) -> list[str]:
        """Return the tasks under way, each worker on its line; empty for idle workers."""
        with self._lock:
            known = [self._running.get(place) if place else None for place in self._places]
        shown = [step.what if step else "" for step in known]
        if len(shown) > self._lines:
            shown = [what for what in shown if what]
        return shown[: self._lines]

    def __rich__(self) -> RenderableType:
        """Return the bar and the tasks."""
        share, left_s = self.done(), self.left_s()
        head = Table.grid(padding=(0, 1), expand=True)
        head.add_column(ratio=1)
        head.add_column(justify="right", no_wrap=True, width=4)
        head.add_column(justify="right", no_wrap=True, min_width=10)
        time_left = "" if left_s is None else f"{duration_text(left_s)} left"
        bar = ProgressBar(total=1.0, completed=share)
        row: list[RenderableType] = [bar, f"{share:.0%}", time_left]
        if self.note:
            head.add_column(justify="right", no_wrap=True)
            row.append(self.note)
        head.add_row(*row)
        lines = (
            Text(f"  {what}", "dim", no_wrap=True, overflow="ellipsis") for what in self.steps()
        )
        return Group(head, *lines)


@contextmanager
def progress_shown(jobs: int, *, quiet: bool = False) -> Iterator[tuple[Progress, Board]]:
    """Show the progress on standard error while work goes on, if that is a terminal.

    Parameters
    ----------
    jobs
        Number of workers.
    quiet
        Show nothing.

    Yields
    ------
    progress, board
        Called with each step; and the display, whose note stands beside the bar.
    """
    console = new_console(stderr=True)
    board = Board(max(1, min(jobs, console.height - 3)))
    if quiet or not (sys.stderr.isatty() and console.is_interactive):
        yield board.record, board
        return
    console.width = min(console.width, WIDEST)
    with Live(board, console=console, transient=True, refresh_per_second=_REFRESH_HZ):
        yield board.record, board
