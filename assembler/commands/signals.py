"""Signals that end a build: the work is cancelled and its unfinished files are removed."""

from __future__ import annotations

import os
import signal
import sys
import threading
from contextlib import suppress
from typing import Any, NoReturn

from assembler.cancel import CANCELLED_TEXT, ENDING_SIGNALS, Cancelled, CancelToken
from assembler.commands.console.terminal import say

_GRACE_S = 1.5
"""Time for all threads to end by themselves; compiling a kernel can take longer."""


class BuildSignals:
    """While entered, the first signal cancels the build; further ones change nothing."""

    def __init__(self) -> None:
        self.token = CancelToken()
        self.raise_at_once = True
        """True while this thread only reads; later it waits for the working threads."""
        self._received = False
        self._timer = threading.Timer(_GRACE_S, _end_now)
        self._timer.daemon = True
        self._handlers: dict[int, Any] = {}

    def __enter__(self) -> BuildSignals:
        if threading.current_thread() is threading.main_thread():
            for number in ENDING_SIGNALS:
                if signal.getsignal(number) != signal.SIG_IGN:  # set so by nohup
                    self._handlers[number] = signal.signal(number, self._receive)
        return self

    def _receive(self, _signal: int, _frame: object) -> None:
        if self._received:
            return
        self._received = True
        self.token.cancel()
        if self.raise_at_once:
            raise Cancelled
        self._timer.start()

    def __exit__(self, *_error: object) -> None:
        self._timer.cancel()
        for number, handler in self._handlers.items():
            # After a signal the process only cleans up and ends: no other may disturb it.
            signal.signal(number, signal.SIG_IGN if self._received else handler)


def _end_now() -> None:
    from assembler.finished.release_folder import clear_up_at_once

    clear_up_at_once()
    with suppress(OSError):  # the terminal may be closed
        say(CANCELLED_TEXT, stderr=True)
    end_at_once()


def end_at_once() -> NoReturn:
    """End the process once its work is cleaned up: Python's own shutdown can take a second."""
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError):
            stream.flush()
    os._exit(1)
