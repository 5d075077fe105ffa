"""Progress of a build: its tasks as they are planned, begun and ended, each with a plain cost.

Costs are seconds of processing per second of stereo sound on one core, measured with the demo
release; only their ratios matter, since the display scales them by the pace so far.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

from assembler.cancel import check_cancelled
from assembler.download.formats import facts_of
from assembler.mastering.plan import Plan

MATCH, MASTER, IMAGE, ARCHIVE, LEVELS = 0.01, 0.005, 0.002, 0.004, 0.004
_LOSSLESS, _LOSSY = 0.014, 0.036
PAPER_S, CLIP_S, PROOF_S = 0.2, 0.35, 0.7
"""Cost of all paper, of each clip, and of the proof's page and pictures, whatever their length."""


@dataclass(frozen=True)
class Step:
    """A change in a build's tasks, reported in the thread that does the work.

    Attributes
    ----------
    what
        The task, for the display; empty for "planned".
    cost_s
        Its cost.
    moment
        The planned total changes by the cost, or the task has begun or ended.
    """

    what: str
    cost_s: float
    moment: Literal["planned", "begun", "ended"]


Progress = Callable[[Step], None]


def no_progress(_step: Step) -> None:
    """Report nothing."""


class TaskProgress:
    """The tasks of one build, and the planned cost that is left.

    Parameters
    ----------
    report
        Called with each step.
    """

    def __init__(self, report: Progress) -> None:
        self._report = report
        self._lock = threading.Lock()
        self._left_s = 0.0

    def plan(self, cost_s: float) -> None:
        """Add to the planned cost; a negative cost takes off what need not be done."""
        self._report(Step("", cost_s, "planned"))
        self._add(cost_s)

    @contextmanager
    def task(self, what: str, cost_s: float = 0.0) -> Iterator[None]:
        """Report a task while its work runs inside.

        Raises
        ------
        Cancelled
            The work was cancelled.
        """
        check_cancelled()
        self._report(Step(what, cost_s, "begun"))
        try:
            yield
        finally:
            self._report(Step(what, cost_s, "ended"))
            self._add(-cost_s)

    def finish(self) -> None:
        """Take off what was planned and not done: it was cached, or the build failed."""
        self.plan(-self._left_s)

    def _add(self, cost_s: float) -> None:
        with self._lock:
            self._left_s += cost_s


def sound_s(plan: Plan) -> float:
    """Return the seconds of sound in a release."""
    return float(sum(section.duration_s for section in plan.report.sections))


def format_cost(name: str) -> float:
    """Return the cost of a download format per second of sound."""
    return _LOSSY if facts_of(name).lossy else _LOSSLESS


def planned_s(plan: Plan) -> float:
    """Return the cost of a build that finds nothing in the cache."""
    per_second = sum(format_cost(name) for name in plan.downloads)
    per_second += sum(MATCH + MASTER * len(bits) for bits in plan.bit_depths.values())
    per_second += IMAGE + ARCHIVE if plan.disc else 0
    fixed_s = PAPER_S if "paper" in plan.rooms else 0.0
    if "proof" in plan.rooms:
        per_second += LEVELS
        fixed_s += PROOF_S
    if plan.joins:
        fixed_s += CLIP_S * len(plan.report.sections)
    return fixed_s + per_second * sound_s(plan)
