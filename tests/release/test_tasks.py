"""The scheduler: tasks after their inputs, the longest path first, errors and cancelling."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assembler.cancel import Cancelled, CancelToken, check_cancelled
from assembler.release.progress import Step, TaskProgress
from assembler.release.tasks.graph import Scheduler, Task, graph_of
from assembler.workers import Share


@contextmanager
def scheduler(workers: int, steps: list[Step] | None = None) -> Iterator[Scheduler]:
    """Open a scheduler with a pool of its own."""
    progress = TaskProgress((steps if steps is not None else []).append)
    with ThreadPoolExecutor(workers) as pool, Share(pool, CancelToken()) as share:
        yield Scheduler(share, progress)


def task(key: str, *inputs: Task[Any], cost_s: float = 0.0) -> Task[list[str]]:
    """Return a task whose result lists what was done before it, and itself."""

    def make(*before: list[str]) -> list[str]:
        return [*dict.fromkeys(one for names in before for one in names), key]

    return Task(key, make, inputs, cost_s)


def begun(steps: list[Step]) -> list[str]:
    """Return the names of the tasks in the order in which they began."""
    return [step.what for step in steps if step.moment == "begun"]


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_a_task_gets_the_results_of_its_inputs_in_their_order(workers: int) -> None:
    first, second = task("first"), task("second")
    last = Task("last", lambda *results: results, (second, first, second))
    with scheduler(workers) as run:
        assert run.run(last) == (["second"], ["first"], ["second"])


@given(st.lists(st.lists(st.integers(0, 30), max_size=4), min_size=1, max_size=30))
def test_every_task_runs_once_and_after_its_inputs(shape: list[list[int]]) -> None:
    """Random graphs: task n needs some of the tasks before it."""
    tasks: list[Task[Any]] = []
    for n, needs in enumerate(shape):
        tasks.append(task(str(n), *(tasks[i % n] for i in needs if n)))
    last = task("last", *tasks)
    steps: list[Step] = []
    with scheduler(3, steps) as run:
        run.run(last)
    order = begun(steps)
    assert sorted(order) == sorted([one.key for one in tasks] + ["last"])
    ended = {step.what: i for i, step in enumerate(steps) if step.moment == "ended"}
    started = {step.what: i for i, step in enumerate(steps) if step.moment == "begun"}
    for one in graph_of(last):
        assert all(ended[needed.key] < started[one.key] for needed in one.inputs)


def test_the_longest_path_goes_first() -> None:
    """Of three ready tasks, the one with the most work behind it, and not the dearest itself."""
    short = task("short and dear", cost_s=5)
    begins = task("begins the long path", cost_s=1)
    cheap = task("cheap", cost_s=0.5)
    last = task("last", short, task("ends the long path", begins, cost_s=9), cheap)
    steps: list[Step] = []
    gate = threading.Event()
    with ThreadPoolExecutor(1) as pool, Share(pool, CancelToken()) as share:
        pool.submit(gate.wait)  # the only worker is busy until all three are ready
        threading.Timer(0.05, gate.set).start()
        Scheduler(share, TaskProgress(steps.append)).run(last)
    expected = ["begins the long path", "ends the long path", "short and dear", "cheap", "last"]
    assert begun(steps) == expected


@pytest.mark.parametrize("workers", [1, 3])
def test_an_error_is_raised_and_nothing_starts_after_it(workers: int) -> None:
    def fail() -> None:
        raise ZeroDivisionError("here")

    steps: list[Step] = []
    last = task("last", task("after", Task("fails", fail)))
    with pytest.raises(ZeroDivisionError, match="here"), scheduler(workers, steps) as run:
        run.run(last)
    assert begun(steps) == ["fails"]


def test_a_cancelled_graph_ends() -> None:
    token = CancelToken()

    def endless() -> None:
        token.cancel()
        while True:
            check_cancelled()
            time.sleep(0.001)

    with ThreadPoolExecutor(2) as pool, pytest.raises(Cancelled), Share(pool, token) as share:
        last = task("last", Task("endless", endless))
        Scheduler(share, TaskProgress(lambda _: None)).run(last)


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_a_task_may_spread_its_own_work(workers: int) -> None:
    """On one worker too, where it must do all of it itself."""
    with scheduler(workers) as run:
        squares = Task("squares", lambda: list(run.map(lambda x, y: x * y, range(50), range(50))))
        cubes = Task("cubes", lambda: list(run.map(lambda x: x**3, range(50))))
        both = run.run(Task("both", lambda a, b: (a, b), (squares, cubes)))
    assert both == ([x * x for x in range(50)], [x**3 for x in range(50)])


@pytest.mark.parametrize("workers", [1, 3])
def test_an_error_in_spread_work_is_raised_in_its_task(workers: int) -> None:
    def odd(number: int) -> int:
        if number % 2:
            raise IndexError(f"{number} is odd")
        return number

    with pytest.raises(IndexError, match="is odd"), scheduler(workers) as run:
        run.run(Task("spread", lambda: list(run.map(odd, range(9)))))


ARENAS = """
import ctypes, sys, threading
from assembler.workers import worker_pool
libc = ctypes.CDLL(None)
if not hasattr(libc, "malloc_info"):
    sys.exit("no glibc")
allocated, go = threading.Barrier(7), []
def work():
    go.append(libc.malloc(100_000))
    allocated.wait()
with worker_pool(6) as pool:
    for _ in range(6):
        pool.submit(work)
    allocated.wait()
libc.fopen.restype, libc.malloc_info.argtypes = ctypes.c_void_p, (ctypes.c_int, ctypes.c_void_p)
libc.fclose.argtypes = (ctypes.c_void_p,)
file = libc.fopen(sys.argv[1].encode(), b"w")
libc.malloc_info(0, file)
libc.fclose(file)
"""


def test_workers_share_two_arenas_of_memory(tmp_path):
    """malloc_info(3): one heap element for each arena; by default each thread has its own."""
    found = tmp_path / "malloc.xml"
    command = [sys.executable, "-c", ARENAS, str(found)]
    done = subprocess.run(command, capture_output=True, text=True)
    if "no glibc" in done.stderr:
        pytest.skip("another C library")
    assert done.returncode == 0, done.stderr
    assert 1 <= found.read_text().count("<heap nr=") <= 2
