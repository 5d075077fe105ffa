"""Thread pools, and one build's share of a pool."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from functools import cache
from types import TracebackType
from typing import Any, TypeVar

from assembler.cancel import CancelToken, check_cancelled, leave_signals_to_main_thread

T = TypeVar("T")
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
"""mallopt(3), glibc's malloc.h."""
_LARGE_BYTES, _KEPT_BYTES = 2_500_000, 4_000_000
"""A block of sound as it is read is less, so that its memory is used again for the next one."""
FALLBACK_S = 1.0
"""A signal wakes the main thread, except in two moments: between its last look for signals and its
falling asleep, and while a worker has its signals unblocked to start a child process or is itself
being started. Then the handler runs when this time is over."""


def worker_pool(jobs: int) -> ThreadPoolExecutor:
    """Return a pool of threads that leave signals to the main thread."""
    _use_two_arenas()
    return ThreadPoolExecutor(jobs, initializer=leave_signals_to_main_thread)


@cache
def _use_two_arenas() -> None:
    """Let all threads share two of malloc's arenas, where it is glibc's.

    By default each thread has its own and keeps what it has freed: with a side of 46 minutes at
    96 kHz the listening page held 553 MB so, and 437 MB with two.
    """
    _call_libc("mallopt", _M_ARENA_MAX, 2)


@cache
def keep_large_blocks_apart() -> None:
    """Let malloc return each large block as soon as it is freed, where it is glibc's.

    By default blocks of up to 32 MB come from the heap, where the small results that a meter keeps
    are between them: the survey of a side of 46 minutes at 96 kHz held 764 MB so, and 635 MB
    without such blocks.
    """
    _call_libc("mallopt", _M_MMAP_THRESHOLD, _LARGE_BYTES)
    _call_libc("mallopt", _M_TRIM_THRESHOLD, _KEPT_BYTES)


def return_freed_memory() -> None:
    """Return what was freed to the system, where malloc is glibc's."""
    _call_libc("malloc_trim", 0)


def _call_libc(function: str, *arguments: int) -> None:
    with suppress(AttributeError, OSError, TypeError):
        getattr(ctypes.CDLL(None), function)(*arguments)


def result_of(work: Future[T]) -> T:
    """Wait for a piece of work so that signals are still handled, and return its result."""
    while not wait([work], timeout=FALLBACK_S).done:
        pass
    return work.result()


class Share(Executor):
    """One build's share of a pool: the work that it submits is cancelled with the build.

    Parameters
    ----------
    pool
        Does the work; several builds may share it.
    token
        Cancelled when the build fails, so that the rest of its work ends soon.
    """

    def __init__(self, pool: Executor, token: CancelToken) -> None:
        self._pool = pool
        self._token = token
        self._pending: set[Future[Any]] = set()  # no finished ones: they would keep their results

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Run a function when a worker is free."""

        def work() -> T:
            with self._token.active():
                check_cancelled()
                return fn(*args, **kwargs)

        future = self._pool.submit(work)
        self._pending.add(future)
        future.add_done_callback(self._pending.discard)
        return future

    def map(self, fn: Callable[..., T], *iterables: Iterable[Any], **_options: Any) -> Iterator[T]:
        """Run a function over iterables in parallel; return its results in order."""
        futures = [self.submit(fn, *args) for args in zip(*iterables, strict=True)]
        return map(result_of, futures)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the build's work; leave the pool running."""
        if cancel_futures:
            for future in list(self._pending):
                future.cancel()
        if wait:
            _wait(list(self._pending))

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Wait for the build's work: none of it may write into a folder that is being removed."""
        if error is not None:
            self._token.cancel()
        self.shutdown(cancel_futures=error is not None)


_wait = wait


@contextmanager
def own_workers(jobs: int | None) -> Iterator[Executor]:
    """Open a pool of `jobs` workers, or of one per core; an error or Ctrl-C cancels their work."""
    with worker_pool(jobs or os.cpu_count() or 1) as pool, Share(pool, CancelToken()) as workers:
        yield workers
