"""Workers that work side by side, and one build's share of them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from types import TracebackType
from typing import Any, TypeVar

from assembler.cancel import CancelToken, check_cancelled

T = TypeVar("T")
_LOOK_S = 0.1


def result_of(work: Future[T]) -> T:
    """Wait for a piece of work in a thread that signals may be meant for, and give its result.

    A signal can be taken by any thread; its handler runs in the main one, which is not woken for
    it: so that it doesn't have to wait for the work's end, it looks up now and then.
    """
    while not wait([work], timeout=_LOOK_S).done:
        pass
    return work.result()


class Share(Executor):
    """One build's share of a pool: what it submits heeds the build's stop and ends with it.

    Parameters
    ----------
    pool
        Does the work; several builds may share it.
    stop
        Told when the build fails, so that the rest of its work ends soon.
    """

    def __init__(self, pool: Executor, stop: CancelToken) -> None:
        self._pool = pool
        self._stop = stop
        self._under_way: set[Future[Any]] = set()  # no longer: a done one would keep its result

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Have a piece of work done when a worker is free."""

        def work() -> T:
            with self._stop.applies():
                check_cancelled()
                return fn(*args, **kwargs)

        future = self._pool.submit(work)
        self._under_way.add(future)
        future.add_done_callback(self._under_way.discard)
        return future

    def map(self, fn: Callable[..., T], *iterables: Iterable[Any], **_how: Any) -> Iterator[T]:
        """Have pieces of work done side by side; give their results in order."""
        futures = [self.submit(fn, *pieces) for pieces in zip(*iterables, strict=True)]
        return map(result_of, futures)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the build's work, not the pool."""
        if cancel_futures:
            for future in list(self._under_way):
                future.cancel()
        if wait:
            _wait(list(self._under_way))

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Wait for the build's work, none of which may write into a folder that is cleared."""
        if error is not None:
            self._stop.now()
        self.shutdown(cancel_futures=error is not None)


_wait = wait


@contextmanager
def own_workers(jobs: int | None) -> Iterator[Executor]:
    """Give as many workers as asked for, else one a core; an error or Ctrl-C ends their work."""
    with ThreadPoolExecutor(jobs or os.cpu_count()) as pool, Share(pool, CancelToken()) as workers:
        yield workers
