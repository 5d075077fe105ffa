"""Finish a revision's tracks in the background, by a build's own tasks and into the same cache.

A build afterwards finds what was made. An edit cancels the work on the revision before it.
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator, Sequence, Set
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Literal

from assembler.cache.folder import CacheFolder
from assembler.cancel import Cancelled, CancelToken, check_cancelled
from assembler.download.formats import facts_of
from assembler.errors import FindingsError, explained
from assembler.findings import Finding, errors_in
from assembler.listen.stretch import NoSoundError
from assembler.mastering.plan import DISC_BITS, MasterSpec, Plan, plan_release
from assembler.mastering.render import FinishedTrack
from assembler.preflight.check import CheckReport, check
from assembler.preflight.playable import playable
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.inputs import inputs_of
from assembler.release.last_release import LastRelease
from assembler.release.progress import TaskProgress, no_progress
from assembler.release.tasks.graph import Scheduler, Task
from assembler.release.tasks.masters import Mastering
from assembler.workers import Share, worker_pool

Kind = Literal["track", "join"]
"""What is played: a track as its lossless file has it, or a join as the disc has it."""
_Note = tuple[Kind, int, Set[int]]
"""What is noted of a passage: for what is played, the word length, and which of its tracks."""
_KINDS: tuple[Kind, ...] = ("track", "join")
_JOBS = 2
_SETTLE_AFTER_S = 0.3
"""Edits that follow each other sooner are settled together."""


@dataclass
class Settled:
    """What is finished of one revision.

    Attributes
    ----------
    tracks
        By what is played and index in the manifest.
    report
        The check with every side restored; None until then.
    findings
        Why the revision can't be finished.
    """

    tracks: dict[tuple[Kind, int], FinishedTrack] = field(default_factory=dict)
    report: CheckReport | None = None
    findings: tuple[Finding, ...] = ()


def played_masters(plan: Plan, kind: Kind) -> list[tuple[int, MasterSpec]]:
    """Return word length and master of what is played: of each track, the first that has it.

    Raises
    ------
    NoSoundError
        The manifest asks for no sound.
    """
    disc = plan.disc or plan.joins
    if kind == "join" and disc:
        return [(max(plan.bit_depths[disc]), disc)]
    found = [(facts_of(one).bits, plan.downloads[one]) for one in plan.measured.values()]
    found += [(DISC_BITS, disc)] if disc else []
    if not found:
        message = "the manifest makes neither a disc nor downloads: there is nothing to play"
        raise NoSoundError(message)
    return found


class Settler:
    """Settles one revision after the other.

    Parameters
    ----------
    cache
        The user's cache.
    scratch
        Folder for unfinished work.
    changed
        Called from the background when something was finished.
    whole_side
        Held while a whole side is read.

    Attributes
    ----------
    settled
        What is finished of the current revision.
    last
        Each track as it was finished last, of this revision or one before, by its title.
    """

    def __init__(
        self,
        cache: CacheFolder,
        scratch: Path,
        changed: Callable[[], None],
        whole_side: threading.Lock,
    ) -> None:
        self.settled = Settled()
        self.last: dict[tuple[Kind, str], FinishedTrack] = {}
        self._cache = cache
        self._scratch = scratch
        self._changed = changed
        self._whole_side = whole_side
        self._pool = worker_pool(_JOBS)
        self._token = CancelToken()
        self._superseded = threading.Event()
        self._thread: threading.Thread | None = None
        self._number = 0

    def begin(self, report: CheckReport | None) -> None:
        """Begin to finish a revision in place of the one before; None can't be finished."""
        self._cancel()
        self._token, self._superseded = CancelToken(), threading.Event()
        self.settled = Settled()
        self._number += 1
        if report is None:
            return
        finish = partial(self._finish, report, self.settled, self._scratch / str(self._number))
        arguments = (finish, self.settled, self._token, self._superseded, self._thread)
        self._thread = threading.Thread(target=self._run, args=arguments, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End all work."""
        self._cancel()
        if self._thread:
            self._thread.join()
        self._pool.shutdown()

    def _cancel(self) -> None:
        self._superseded.set()
        self._token.cancel()

    def _run(
        self,
        finish: Callable[[Share], None],
        settled: Settled,
        token: CancelToken,
        superseded: threading.Event,
        before: threading.Thread | None,
    ) -> None:
        """Finish a revision once the work on the one before it has ended, unless another comes."""
        if before:
            before.join()
        if superseded.wait(_SETTLE_AFTER_S):
            return
        try:
            with token.active(), Share(self._pool, token) as pool:
                finish(pool)
        except Cancelled:
            return
        except FindingsError as error:
            settled.findings = error.findings
        except Exception as error:  # else the page would wait for ever
            settled.findings = (Finding("error", "stopped", "", "", 0, str(explained(error))),)
        self._changed()

    def _finish(self, report: CheckReport, settled: Settled, scratch: Path, pool: Share) -> None:
        for old in self._scratch.glob("[0-9]*"):  # of revisions before
            shutil.rmtree(old, ignore_errors=True)
        for preview_file in self._scratch.glob("preview-*"):
            if preview_file.name.split("-")[1] != scratch.name:  # this revision's are being played
                preview_file.unlink(missing_ok=True)
        scratch.mkdir(exist_ok=True)
        digests = inputs_of(report, (), packages=False).digests(self._cache, pool.map)
        with self._restoring(report):
            exact = check(report.source, scratch=scratch, cache=self._cache, digests=digests)
        found = playable(exact)
        if not found.can_be_finished:
            errors = errors_in(exact.findings)
            raise FindingsError(one for one in errors if one not in report.findings)
        settled.report = exact = found.report
        if exact.sides:
            self._changed()
        plan = plan_release(exact)
        artifacts = ArtifactCache(self._cache, LastRelease(scratch / "none", {}), plan.rooms)
        scheduler = Scheduler(pool, TaskProgress(no_progress))
        masters, _ = Mastering(plan, artifacts, scheduler, scratch, ()).tasks()
        notes: dict[Task[list[FinishedTrack]], list[_Note]] = {}
        for kind in _KINDS:
            noted: set[int] = set()
            for bits, spec in played_masters(plan, kind):
                for passage, task in masters[spec].passages.items():
                    sections = plan.edition(spec).sections_of(passage)
                    if own := {section.index for section in sections} - noted:
                        notes.setdefault(task, []).append((kind, bits, own))
                        noted |= own
        tasks = tuple(self._noting(task, own, settled) for task, own in notes.items())
        scheduler.run(Task("settled", lambda *_: None, tasks))

    @contextmanager
    def _restoring(self, report: CheckReport) -> Iterator[None]:
        """Wait until no other part of the page reads a whole side: each needs much memory."""
        if not report.source.manifest.transfers:
            yield
            return
        while not self._whole_side.acquire(timeout=0.1):
            check_cancelled()
        try:
            yield
        finally:
            self._whole_side.release()

    def _noting(
        self, task: Task[list[FinishedTrack]], notes: Sequence[_Note], settled: Settled
    ) -> Task[None]:
        """Return a passage's task that notes its finished tracks: a task after it would wait."""

        def make(*inputs: object) -> None:
            tracks = task.make(*inputs)
            for kind, bits, own in notes:
                for one in (track for track in tracks if track.section.index in own):
                    one.stored(bits)
                    settled.tracks[kind, one.section.index] = one
                    self.last[kind, one.section.track.full_title] = one
            self._changed()

        return Task(task.key, make, task.inputs, task.cost_s)
