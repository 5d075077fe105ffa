"""Copies of files that share nothing with the original: what a user edits in one, no other has."""

from __future__ import annotations

import shutil
from contextlib import suppress
from pathlib import Path

_FICLONE = 0x40049409
"""ioctl that shares a file's blocks until one of both is written to (Linux, ioctl_ficlone(2))."""


def copy_file(source: str | Path, target: str | Path) -> None:
    """Copy a file: as a clone where the file system has them, else byte by byte.

    Raises
    ------
    OSError
        The source can't be read, or the target not be written.
    """
    with suppress(ImportError, OSError):  # not Linux, or another file system
        import fcntl

        with Path(source).open("rb") as file, Path(target).open("wb") as clone:
            fcntl.ioctl(clone, _FICLONE, file.fileno())
        return
    shutil.copyfile(source, target)
