"""The standard streams: always open, in an encoding that accepts any text.

A command's exit code reports what it found. It must not depend on whether its output is read, so
writing to a closed pipe has no effect. A full disk is an error: text is lost.
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

_CLOSED_PIPE = (errno.EPIPE, errno.ECONNRESET)


class _Output(io.FileIO):
    """The bytes of a standard stream; what can't be written is lost, the first reason is kept."""

    def __init__(self, descriptor: int) -> None:
        super().__init__(descriptor, "w", closefd=False)
        self.fault: OSError | None = None

    def write(self, data: ReadableBuffer, /) -> int:
        """Write some bytes."""
        try:
            return super().write(data)
        except OSError as error:
            if error.errno not in _CLOSED_PIPE:
                self.fault = self.fault or error
            return memoryview(data).nbytes


class Streams:
    """Standard output and standard error of this process."""

    def __init__(self) -> None:
        self.output, self.errors = _Output(1), _Output(2)

    def exit_code(self, code: int) -> int:
        """Return a command's exit code: at least 1 where its output could not be written."""
        fault = self.output.fault
        if fault is None:
            return code
        message = f"standard output can't be written: {fault.strerror}: part of it is lost\n"
        self.errors.write(message.encode())
        return code or 1


@contextmanager
def standard_streams() -> Iterator[Streams]:
    """Keep all three streams open; standard output and error accept any text.

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
    """Open the null device for each closed stream, before another file gets its number."""
    for descriptor in range(3):
        try:
            os.fstat(descriptor)
        except OSError:
            null = os.open(os.devnull, os.O_RDWR)
            if null != descriptor:
                os.dup2(null, descriptor)
                os.close(null)


def _text(raw: _Output, before: TextIO | None) -> TextIO:
    """Return a text stream; characters that its encoding lacks are written as escapes."""
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=before.encoding if before else "utf-8",
        errors="backslashreplace",
        line_buffering=raw.isatty() or raw.fileno() == 2,
    )
