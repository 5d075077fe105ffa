"""Cancel work in progress: long loops check here once per block and end in order.

A cancelled thread raises `Cancelled` at its next check, and its resources are released by the same
lines as after an error. Child processes are killed at once, so that nobody waits for them.

Workers block the signals that end a build, so that the kernel gives them to the main thread, which
then wakes and cancels. A child inherits the mask of the thread that starts it (pthread_sigmask,
POSIX.1), so `child_process` alone starts children.
"""

from __future__ import annotations

import signal
import subprocess
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar

CANCELLED_TEXT = "stopped: the last finished release is unchanged"
ENDING_SIGNALS = tuple(
    found for name in ("SIGINT", "SIGTERM", "SIGHUP") if (found := getattr(signal, name, None))
)
"""Ctrl-C, a request to end, and a closed terminal."""


class Cancelled(BaseException):
    """The work was cancelled: not an `Exception`, so that no handler takes it for a failure."""


class CancelToken:
    """Cancels a piece of work and everything that it started.

    Attributes
    ----------
    is_cancelled
        `cancel` was called.
    """

    def __init__(self) -> None:
        self.is_cancelled = False
        self._tokens: list[CancelToken] = []
        self._children: set[subprocess.Popen[bytes]] = set()
        self._lock = threading.RLock()  # a signal may arrive while its own thread holds it

    def cancel(self) -> None:
        """Cancel the work; may be called from a signal handler."""
        self.is_cancelled = True
        with self._lock:
            for child in self._children:
                child.kill()
            for token in self._tokens:
                token.cancel()

    def new_child(self) -> CancelToken:
        """Return the token of a part of the work, which can be cancelled without the rest."""
        token = CancelToken()
        with self._lock:
            self._tokens.append(token)
            token.is_cancelled = self.is_cancelled
        return token

    @contextmanager
    def active(self) -> Iterator[None]:
        """Make `check_cancelled` check this token inside, in this thread."""
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
_running: set[subprocess.Popen[bytes]] = set()
"""All children. Where a stream is dropped half read, the interpreter so ends the stream, which ends
its child, before it frees the child."""


def check_cancelled() -> None:
    """Check whether this work was cancelled; call it once per block in a long loop.

    Raises
    ------
    Cancelled
        It was.
    """
    token = _token.get()
    if token is not None and token.is_cancelled:
        raise Cancelled


def leave_signals_to_main_thread() -> None:
    """Block the signals that end a build in this thread; Windows gives them to the main thread."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_BLOCK, ENDING_SIGNALS)


@contextmanager
def _signals_unblocked() -> Iterator[None]:
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING_SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def child_process(
    command: Sequence[str],
    *,
    stdin: int = subprocess.DEVNULL,
    stdout: int = subprocess.DEVNULL,
    stderr: int = subprocess.DEVNULL,
) -> Iterator[subprocess.Popen[bytes]]:
    """Start a child process and wait for its end; kill it when this work fails or is cancelled.

    Parameters
    ----------
    command
        Program and arguments.
    stdin, stdout, stderr
        As for `subprocess.Popen`.

    Raises
    ------
    Cancelled
        The work was cancelled.
    """
    token = _token.get() or CancelToken()
    with _signals_unblocked():
        process = subprocess.Popen(
            command,
            stdin=stdin,
            stdout=stdout,
            stderr=stderr,
            start_new_session=True,  # the terminal's Ctrl-C must not reach it: its thread ends it
        )
    _running.add(process)
    try:
        with process, token._child(process):
            try:
                check_cancelled()
                yield process
            except BaseException:
                process.kill()
                raise
    except BrokenPipeError:
        pass  # it ended before it had read everything: its exit code says why
    finally:
        _running.discard(process)
    check_cancelled()  # the output of a killed process is worthless
