"""Build several releases on a Dask cluster: each release is a task of one worker process.

All machines see the sources, the releases and the manifests at the same absolute paths. A release
whose worker dies is started again on another worker, as often as the scheduler allows
(`distributed.scheduler.allowed-failures`). The lock of a release's folder and those of the cache
protect builds of different workers where the file system has locks for all its machines (NFSv4,
RFC 8881, section 9); on one without, two calls must not build the same release at the same time.

Cancel tokens stay in their process: a worker cancels its build when the scheduler no longer wants
the task, which is so when this client cancels it or is gone.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from assembler.cancel import CancelToken, check_cancelled
from assembler.errors import AssemblerError, explained
from assembler.finished.report_form import MadeWith
from assembler.mastering.plan import ROOMS, plan_release
from assembler.release.batch import Job, build_jobs
from assembler.release.progress import Progress, TaskProgress, no_progress, planned_s
from assembler.release.report import made_with
from assembler.text import shorten

if TYPE_CHECKING:
    from distributed import Client
    from distributed import Future as Remote

_ANSWER_S = 10
"""Time for the scheduler to answer."""
_NO_WORKER_S = 60.0
"""Time to wait while the scheduler has no worker: one that was killed is started again."""
_POLL_S = 0.2
_WATCH_S = 0.5
"""A worker looks this often whether its task is still wanted."""


@dataclass(frozen=True)
class _Settings:
    """What a worker needs to know besides the release."""

    made_with: tuple[str, MadeWith]
    only: tuple[str, ...]
    jobs: int | None
    packages: bool


def build_on_cluster(
    planned: Sequence[Job],
    address: str,
    *,
    only: Iterable[str] = ROOMS,
    jobs: int | None = None,
    packages: bool = False,
    progress: Progress = no_progress,
    token: CancelToken | None = None,
) -> Iterator[Job]:
    """Build releases on the workers of a Dask cluster; one that fails does not stop the others.

    Parameters
    ----------
    planned
        From `plan_jobs`, of absolute paths.
    address
        The scheduler's, as in ``tcp://studio:8786``.
    only, packages, progress
        As for `assembler.build`.
    jobs
        Number of threads of each worker; one per core if not given.
    token
        Cancels all builds.

    Yields
    ------
    Job
        The given jobs in order, with their report or error.

    Raises
    ------
    AssemblerError
        The scheduler does not answer, or a worker has other versions of the packages.
    Cancelled
        The builds were cancelled; the last releases are unchanged.
    """
    token, tasks = token or CancelToken(), TaskProgress(progress)
    settings = _Settings(made_with(), tuple(only), jobs, packages)
    costs_s = [
        planned_s(plan_release(job.checked, settings.only)) if job.target and job.checked else 0.0
        for job in planned
    ]
    tasks.plan(sum(costs_s))
    with _client(address) as client:
        _refuse_other_versions(client, settings)
        futures = [
            client.submit(_built_here, job, settings, pure=False) if job.target else None
            for job in planned
        ]
        try:
            for job, future, cost_s in zip(planned, futures, costs_s, strict=True):
                done = _result(client, job, future, token) if future else job
                with tasks.task(job.path.name, cost_s):
                    yield done
        finally:
            client.cancel([future for future in futures if future])


@contextmanager
def _client(address: str) -> Iterator[Client]:
    """Connect to a scheduler; dask's own messages are not shown."""
    try:
        from distributed import Client
    except ImportError as error:
        message = "--scheduler needs Dask: install it with `pip install 'assembler[cluster]'`"
        raise AssemblerError(message) from error
    disabled = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        answer: Future[Client] = Future()

        def connect() -> None:
            try:
                answer.set_result(Client(address, timeout=_ANSWER_S, set_as_default=False))
            except Exception as error:
                answer.set_exception(error)

        # Its timeout does not hold where something else accepts the connection.
        threading.Thread(target=connect, daemon=True).start()
        try:
            client = answer.result(_ANSWER_S + 2)
        except Exception as error:  # of the network, of the address, of what answers there
            raise AssemblerError(
                f"{address}: no Dask scheduler answers: check the address, and that "
                "`dask scheduler` runs there"
            ) from error
        with client:
            yield client
    finally:
        logging.disable(disabled)


def _refuse_other_versions(client: Client, settings: _Settings) -> None:
    answers = client.run(made_with, on_error="return")
    for worker, answer in sorted(answers.items()):
        if isinstance(answer, OSError):
            continue  # it has just died; the one in its place is asked with its first task
        if difference := _difference(answer, settings.made_with):
            raise AssemblerError(f"worker {worker}: {difference}")


def _difference(there: object, here: tuple[str, MadeWith]) -> str:
    """Return how a worker's versions differ from those of the client; empty if they do not."""
    if there == here:
        return ""
    if not isinstance(there, tuple):
        reason = shorten(" ".join(str(there).split()), 100)
        what = f"assembler {here[0]} can't be loaded there ({reason})"
    elif there[0] != here[0]:
        what = f"it has assembler {there[0]}, this machine {here[0]}"
    else:
        names = [name for name, one in here[1].packages.items() if there[1].packages[name] != one]
        what = f"other versions than on this machine: {', '.join(names) or 'assembler'}"
    return f"{what}: install the same versions on all machines"


def _result(client: Client, job: Job, future: Remote, token: CancelToken) -> Job:
    """Wait for a release; return its job with its report or its error."""
    seen_s = time.monotonic()
    try:
        while future.status == "pending":
            with token.active():
                check_cancelled()
            if client.scheduler_info()["workers"]:
                seen_s = time.monotonic()
            elif time.monotonic() - seen_s > _NO_WORKER_S:
                break
            time.sleep(_POLL_S)
        if future.status == "finished":
            done: Job = future.result()
            return done
        return replace(job, error=AssemblerError(_reason(future)))
    except Exception as error:  # no error may stop another release
        return replace(job, error=explained(error))


def _reason(future: Remote) -> str:
    """Return why a task has no result."""
    from distributed import KilledWorker

    if future.status == "pending":
        return "no worker is connected: start one with `dask worker ADDRESS --nthreads 1`"
    if future.status == "cancelled":
        return "the scheduler has gone: start it again, and then this build"
    error = future.exception()
    if isinstance(error, KilledWorker):
        return (
            f"workers that died while they built it: {error.allowed_failures + 1}; see their logs, "
            "and whether they have enough memory"
        )
    return str(explained(error))


def _built_here(job: Job, settings: _Settings) -> Job:
    """Build a release in this worker process; runs in one of its threads."""
    if difference := _difference(made_with(), settings.made_with):  # it came after the first check
        return replace(job, error=AssemblerError(f"worker: {difference}"))
    token = CancelToken()
    with _cancelled_with_its_task(token):
        (done,) = build_jobs(
            [job],
            only=settings.only,
            jobs=settings.jobs,
            packages=settings.packages,
            token=token,
        )
    return done


@contextmanager
def _cancelled_with_its_task(token: CancelToken) -> Iterator[None]:
    """Cancel the token when the scheduler cancels this task, or the worker closes."""
    from distributed import Status, get_worker

    worker = get_worker()
    key = worker.get_current_task()
    over = threading.Event()

    def watch() -> None:
        while not over.wait(_WATCH_S):
            task = worker.state.tasks.get(key)
            wanted = task is not None and task.state == "executing"
            if not wanted or worker.status not in (Status.running, Status.paused):
                token.cancel()
                return

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield
    finally:
        over.set()
        watcher.join()
