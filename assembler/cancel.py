"""Cancel work that is under way: long loops check here between blocks and end by themselves.

Nothing is torn off: a thread that is told to stop raises `Cancelled` at its next look, and what it
holds is put away by the same lines as after any error. Child processes are ended at once, so that
nobody waits for them.
"""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

STOPPED = "stopped: the last finished release is as it was"


class Cancelled(BaseException):
    """The work was told to stop: no error, so that nothing on its way takes it for one."""


class CancelToken:
    """Tells a piece of work, and all that it started, to stop."""

    def __init__(self) -> None:
        self.is_told = False
        self._parts: list[CancelToken] = []
        self._children: set[subprocess.Popen[bytes]] = set()
        self._lock = threading.RLock()  # a signal may come while its own thread holds it

    def now(self) -> None:
        """Tell it; may be called from a signal's handler."""
        self.is_told = True
        with self._lock:
            for child in self._children:
                child.kill()
            for part in self._parts:
                part.now()

    def part(self) -> CancelToken:
        """Give the stop of a part of the work, which can end without the rest."""
        part = CancelToken()
        with self._lock:
            self._parts.append(part)
            part.is_told = self.is_told
        return part

    @contextmanager
    def applies(self) -> Iterator[None]:
        """Let what runs inside, in this thread, heed this stop."""
        before = _token.set(self)
        try:
            yield
        finally:
            _token.reset(before)

    @contextmanager
    def _child(self, process: subprocess.Popen[bytes]) -> Iterator[None]:
        with self._lock:
            self._children.add(process)
        try:
            yield
        finally:
            with self._lock:
                self._children.discard(process)


_token: ContextVar[CancelToken | None] = ContextVar("cancel_token", default=None)


def check_cancelled() -> None:
    """Look whether this work is to stop: for loops over blocks, once a block.

    Raises
    ------
    Cancelled
        It is.
    """
    stop = _token.get()
    if stop is not None and stop.is_told:
        raise Cancelled


@contextmanager
def child_process(process: subprocess.Popen[bytes]) -> Iterator[subprocess.Popen[bytes]]:
    """Wait for a child process at the end; it is killed when this work stops or fails.

    Raises
    ------
    Cancelled
        The work is to stop.
    """
    stop = _token.get() or CancelToken()
    try:
        with process, stop._child(process):
            try:
                check_cancelled()
                yield process
            except BaseException:
                process.kill()
                raise
    except BrokenPipeError:
        pass  # it ended before it had read all: its exit code tells more
    check_cancelled()  # what came of it is worth nothing if it was killed
