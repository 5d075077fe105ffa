"""The work of a build as a graph of tasks, and the scheduler that runs it.

A task starts when all its inputs are done, on any free worker. Of the tasks that could start, the
one with the most work still behind it goes first: longest path first (R. L. Graham, "Bounds on
Multiprocessing Timing Anomalies", SIAM J. Appl. Math. 17, 1969, on list scheduling; from memory).
"""

from __future__ import annotations

import heapq
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future, wait
from contextvars import copy_context
from dataclasses import dataclass
from typing import Any, Generic, TypeVar, cast

from assembler.cache.folder import entries_made
from assembler.cancel import check_cancelled
from assembler.release.progress import TaskProgress
from assembler.workers import result_of

T = TypeVar("T")
S = TypeVar("S")


@dataclass(frozen=True, eq=False)
class Task(Generic[T]):
    """A piece of work.

    Attributes
    ----------
    key
        Its name in the build, for the display and for people who read the graph.
    make
        Does the work: called with the results of the inputs, in their order.
    inputs
        Tasks that it needs the results of.
    cost_s
        Processing time that it takes if nothing of it is cached; only ratios matter.
    """

    key: str
    make: Callable[..., T]
    inputs: tuple[Task[Any], ...] = ()
    cost_s: float = 0.0


def graph_of(last: Task[Any]) -> list[Task[Any]]:
    """Return a task and everything that it needs, each after its inputs."""
    ordered: dict[Task[Any], None] = {}
    stack = [(last, False)]
    while stack:
        task, inputs_done = stack.pop()
        if inputs_done:
            ordered[task] = None
        elif task not in ordered:
            stack.append((task, True))
            stack += [(one, False) for one in task.inputs]
    return list(ordered)


class Scheduler:
    """Runs a graph of tasks on a pool.

    Parameters
    ----------
    pool
        The workers; other builds may use it too.
    progress
        Reports each task.

    Attributes
    ----------
    worked
        Keys of the finished tasks that made something which the cache did not have.
    """

    def __init__(self, pool: Executor, progress: TaskProgress) -> None:
        self._pool = pool
        self._progress = progress
        self.worked: list[str] = []

    def run(self, last: Task[T]) -> T:
        """Run a task and everything that it needs; return its result.

        Raises
        ------
        Exception
            What a task raised: no task starts after it.
        """
        return _Run(graph_of(last), self._pool, self._progress, self.worked).result_of(last)

    def map(self, work: Callable[..., T], *of: Iterable[Any]) -> Iterator[T]:
        """Do work that a running task consists of, on any free worker and on its own.

        The caller works too, so that a task may wait for this even on a pool of one worker.
        """
        arguments = deque(enumerate(zip(*of, strict=True)))
        results: list[T | None] = [None] * len(arguments)

        def take() -> tuple[int, tuple[Any, ...]] | None:
            try:
                return arguments.popleft()
            except IndexError:  # another worker has taken the last
                return None

        def drain() -> None:
            try:
                while taken := take():
                    check_cancelled()
                    results[taken[0]] = work(*taken[1])
            except BaseException:
                arguments.clear()
                raise

        context = copy_context()  # so that what is made counts for the task
        helpers = [self._pool.submit(context.copy().run, drain) for _ in range(len(arguments) - 1)]
        try:
            drain()
        finally:
            begun = [helper for helper in helpers if not helper.cancel()]
            wait(begun)
        for helper in begun:
            helper.result()
        return iter(cast(Sequence[T], results))


class _Run:
    """One run of a graph: the tasks that wait, those that are ready, and the results."""

    def __init__(
        self,
        tasks: Sequence[Task[Any]],
        pool: Executor,
        progress: TaskProgress,
        worked: list[str],
    ) -> None:
        self._worked = worked
        self._pool = pool
        self._progress = progress
        self._lock = threading.Lock()
        self._results: dict[Task[Any], Any] = {}
        self._open = {task: len(set(task.inputs)) for task in tasks}
        self._users: dict[Task[Any], list[Task[Any]]] = {task: [] for task in tasks}
        for task in tasks:
            for one in dict.fromkeys(task.inputs):
                self._users[one].append(task)
        self._path_s: dict[Task[Any], float] = {}
        for task in reversed(tasks):
            behind_s = max((self._path_s[user] for user in self._users[task]), default=0.0)
            self._path_s[task] = task.cost_s + behind_s
        self._ready: list[tuple[float, int, Task[Any]]] = []
        self._number = 0
        self._done: Future[None] = Future()
        self._first = [task for task in tasks if not task.inputs]

    def result_of(self, last: Task[T]) -> T:
        self._start(self._first)
        result_of(self._done)
        return cast(T, self._results[last])

    def _start(self, tasks: Iterable[Task[Any]]) -> None:
        for task in tasks:
            with self._lock:
                heapq.heappush(self._ready, (-self._path_s[task], self._number, task))
                self._number += 1
            self._pool.submit(self._work).add_done_callback(self._settle)

    def _work(self) -> None:
        """Do the most urgent of the ready tasks."""
        with self._lock:
            if self._done.done():
                return
            _, _, task = heapq.heappop(self._ready)
        with self._progress.task(task.key, task.cost_s):
            made: list[str] = []
            before = entries_made.set(made)
            try:
                result = task.make(*(self._results[one] for one in task.inputs))
            finally:
                entries_made.reset(before)
        with self._lock:
            if made:
                self._worked.append(task.key)
            self._results[task] = result
            for user in self._users[task]:
                self._open[user] -= 1
            ready = [user for user in self._users[task] if not self._open[user]]
            is_last = len(self._results) == len(self._open)
        self._start(ready)
        if is_last:
            self._done.set_result(None)

    def _settle(self, work: Future[None]) -> None:
        error = None if work.cancelled() else work.exception()
        with self._lock:
            if error is not None and not self._done.done():
                self._done.set_exception(error)
