"""The lock of a release's folder: a file beside it, for all users and machines."""

from __future__ import annotations

import errno
import hashlib
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import filelock
import platformdirs

from assembler.errors import AssemblerError

ENDING = ".assembling.lock"
PATIENCE_S = 0.3
"""Time for an ending build to remove its lock."""
_FOR_ALL = 0o666
"""Another user's build must be able to open the file, to find it locked."""
_NO_LOCKS = frozenset({errno.ENOSYS, errno.ENOLCK, errno.EOPNOTSUPP, errno.EINVAL})
"""Errors of file systems without locks (flock(2), Linux)."""


def lock_path(target: Path) -> Path:
    """Return the path of a release's lock."""
    return target.with_name(f".{target.name}{ENDING}")


@contextmanager
def alone(target: Path, patience_s: float = PATIENCE_S) -> Iterator[bool]:
    """Hold the lock of a release, so that no other build of it runs.

    Parameters
    ----------
    target
        The release's folder; its parent must exist.
    patience_s
        How long to wait for another build that may be ending.

    Yields
    ------
    bool
        Whether the lock also holds for other users: not where the file system has no locks.

    Raises
    ------
    AssemblerError
        Another build of it is running.
    OSError
        The parent folder can't be written to.
    """
    path = lock_path(target)
    try:
        lock = _held(path, target, patience_s)
        for_all = True
    except (NotImplementedError, OSError) as error:
        if isinstance(error, OSError) and error.errno not in _NO_LOCKS:
            raise
        lock = _held(_path_in_cache(target), target, patience_s)
        for_all = False
    try:
        yield for_all
    finally:
        with suppress(OSError):  # on Windows it is still open
            path.unlink(missing_ok=True)  # before the release: no other build can hold it yet
        lock.release()


def _held(path: Path, target: Path, patience_s: float) -> filelock.BaseFileLock:
    lock = filelock.FileLock(path, mode=_FOR_ALL, fallback_to_soft=False)
    try:
        lock.acquire(timeout=patience_s)
    except filelock.Timeout as error:
        raise AssemblerError(
            f"{target}: another build of this release is running: wait until it ends"
        ) from error
    except PermissionError as error:
        if path.exists():
            raise AssemblerError(
                f"{path}: another user's build of this release is running: wait until it ends, or "
                "remove this file if there is none"
            ) from error
        raise
    return lock


def _path_in_cache(target: Path) -> Path:
    name = hashlib.sha256(str(target.resolve()).encode("utf-8", "surrogateescape")).hexdigest()
    folder = Path(platformdirs.user_cache_dir("assembler")) / "locks"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        folder = Path(tempfile.gettempdir())
    return folder / f"{name[:32]}.lock"
