"""The standard streams: open, in an encoding that refuses nothing, and deaf to who hangs up.

A command's exit code says what it found. It must not depend on whether someone reads what it
prints, so a closed pipe is written to as if it were read. A full disk is an error: text is lost.
"""

from __future__ import annotations

import errno
import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

_HUNG_UP = (errno.EPIPE, errno.ECONNRESET)


class _Output(io.FileIO):
    """A standard stream's bytes; what can't be written is dropped, and the first reason kept."""

    def __init__(self, descriptor: int) -> None:
        super().__init__(descriptor, "w", closefd=False)
        self.fault: OSError | None = None

    def write(self, data: ReadableBuffer, /) -> int:
        """Write some bytes."""
        try:
            return super().write(data)
        except OSError as error:
            if error.errno not in _HUNG_UP:
                self.fault = self.fault or error
            return memoryview(data).nbytes


class Streams:
    """Standard output and standard error of this process."""

    def __init__(self) -> None:
        self.output, self.errors = _Output(1), _Output(2)

    def exit_code(self, code: int) -> int:
        """Give a command's exit code: 1 where what it printed could not be written."""
        fault = self.output.fault
        if fault is None:
            return code
        said = f"standard output can't be written: {fault.strerror}: some of it is lost\n"
        self.errors.write(said.encode())
        return code or 1


@contextmanager
def standard_streams() -> Iterator[Streams]:
    """Have all three streams open; standard output and error take any text.

    Yields
    ------
    Streams
        For the exit code.
    """
    _open_closed()
    before = sys.stdout, sys.stderr
    streams = Streams()
    sys.stdout = _text(streams.output, before[0])
    sys.stderr = _text(streams.errors, before[1])
    try:
        yield streams
    finally:
        for stream in (sys.stdout, sys.stderr):
            with suppress(ValueError):  # closed by someone else
                stream.flush()


def _open_closed() -> None:
    """Put nothing in the place of a closed stream, before a file of ours takes its number."""
    for descriptor in range(3):
        try:
            os.fstat(descriptor)
        except OSError:
            nowhere = os.open(os.devnull, os.O_RDWR)
            if nowhere != descriptor:
                os.dup2(nowhere, descriptor)
                os.close(nowhere)


def _text(raw: _Output, before: TextIO | None) -> TextIO:
    """Make a text stream; signs that its encoding has not are shown by their numbers."""
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=before.encoding if before else "utf-8",
        errors="backslashreplace",
        line_buffering=raw.isatty() or raw.fileno() == 2,
    )
