"""The lock of a release's folder: a file beside it, for all users and machines that build there."""

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
"""Time for a build that ends to remove its lock."""
_FOR_ALL = 0o666
"""Another user's build must be able to open the file, to find it locked."""
_NO_LOCKS = frozenset({errno.ENOSYS, errno.ENOLCK, errno.EOPNOTSUPP, errno.EINVAL})
"""What file systems answer that know no locks (flock(2), Linux)."""


def lock_path(target: Path) -> Path:
    """Return the place of a release's lock."""
    return target.with_name(f".{target.name}{ENDING}")


@contextmanager
def alone(target: Path, patience_s: float = PATIENCE_S) -> Iterator[bool]:
    """Keep two builds of one release apart.

    Parameters
    ----------
    target
        The release's folder; the one that it is in must be there.
    patience_s
        How long to wait for another build that may be ending.

    Yields
    ------
    bool
        Builds of other users are kept apart too: not where the file system knows no locks.

    Raises
    ------
    AssemblerError
        Another build of it is at work.
    OSError
        The place can't be written to.
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
            path.unlink(missing_ok=True)  # before it is let go: what is held is never another's
        lock.release()


def _held(path: Path, target: Path, patience_s: float) -> filelock.BaseFileLock:
    lock = filelock.FileLock(path, mode=_FOR_ALL, fallback_to_soft=False)
    try:
        lock.acquire(timeout=patience_s)
    except filelock.Timeout as error:
        raise AssemblerError(
            f"{target}: another build of it is at work: wait for its end"
        ) from error
    except PermissionError as error:
        if path.exists():
            raise AssemblerError(
                f"{path}: another user's build of this release is at work: wait for its end, or "
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
