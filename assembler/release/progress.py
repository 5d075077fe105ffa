"""What a build tells of its work while it goes on: each piece, and what it costs.

Costs are seconds of work for a second of stereo sound on one core, measured with the demo release;
only their ratios matter, since whoever shows them goes by the pace so far.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

from assembler.cancel import check_cancelled
from assembler.download.formats import FACTS
from assembler.manifest.model import Format
from assembler.mastering.plan import Plan
from assembler.sequence.frames import DISC_RATE_HZ

READ, ROUND, MASTER, IMAGE, ARCHIVE = 0.005, 0.0025, 0.005, 0.002, 0.004
_USUAL_ROUNDS = 2
_LOSSLESS, _LOSSY = 0.014, 0.036
_SOURCES_AND_CURVES = 0.004
PAPER_S, CLIPS_S, PROOF_S = 0.2, 0.35, 0.7
"""Of the whole paper room, of each clip, and of the proof's page and pictures."""


@dataclass(frozen=True)
class Step:
    """A moment of a build, told in the thread that does the work.

    Attributes
    ----------
    what
        The piece of work, in words for the desk; empty where the plan changes.
    cost_s
        What it costs.
    moment
        The plan grows by its cost, or the piece has begun, or it has ended.
    """

    what: str
    cost_s: float
    moment: Literal["planned", "begun", "ended"]


Progress = Callable[[Step], None]


def no_progress(_step: Step) -> None:
    """Tell nobody."""


class Account:
    """The work of one build: what is planned, and what is left of it.

    Parameters
    ----------
    tell
        Is told of each step.
    """

    def __init__(self, tell: Progress) -> None:
        self._tell = tell
        self._lock = threading.Lock()
        self.left_s = 0.0

    def plan(self, cost_s: float) -> None:
        """Plan more work."""
        self._tell(Step("", cost_s, "planned"))
        with self._lock:
            self.left_s += cost_s

    @contextmanager
    def step(self, what: str, cost_s: float = 0.0) -> Iterator[None]:
        """Do a piece of work.

        Raises
        ------
        Cancelled
            The work is to stop.
        """
        check_cancelled()
        self._tell(Step(what, cost_s, "begun"))
        try:
            yield
        finally:
            self._tell(Step(what, cost_s, "ended"))
            with self._lock:
                self.left_s -= cost_s

    def settle(self, left_s: float = 0.0) -> None:
        """Put the plan right: no more than this is left to do."""
        self.plan(left_s - self.left_s)


def sound_s(plan: Plan) -> float:
    """Give the seconds of sound in a release."""
    sections = plan.report.sections
    return sum((one.end - one.start) / one.recording.rate_hz for one in sections)


def match_cost(match: str) -> float:
    """Give what the search for the gains costs for a second of sound."""
    return READ if match == "none" else READ + _USUAL_ROUNDS * ROUND


def format_cost(name: Format) -> float:
    """Give what a download format costs for a second of sound."""
    return _LOSSY if FACTS[name].lossy else _LOSSLESS


def readings_cost(plan: Plan) -> float:
    """Give what it costs to measure the proof's sources and to read its curves."""
    return _SOURCES_AND_CURVES * sound_s(plan)


def planned_s(plan: Plan) -> float:
    """Give what a build costs that finds nothing in the store."""
    each = sum(format_cost(name) for name in plan.downloads)
    each += IMAGE + ARCHIVE if plan.disc else 0
    once = PROOF_S + readings_cost(plan) if "proof" in plan.rooms else 0.0
    once += CLIPS_S * len(plan.report.sections) if plan.joins else 0
    once += PAPER_S if "paper" in plan.rooms else 0
    for mastering, widths in plan.widths.items():
        faster = sum(mastering.rates_hz) / len(mastering.rates_hz) / DISC_RATE_HZ
        each += faster * (match_cost(mastering.level.match) + MASTER * len(widths))
    return once + each * sound_s(plan)
