"""Keep the cache within its size limit, and its users apart.

Each process that builds holds a lock file in the cache folder. A process that starts or ends while
no other holds one cleans up: unfinished entries of killed builds and, while the cache is over its
limit, the entries that were used longest ago.
"""

from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import filelock

from assembler.cache.folder import CHECKSUM_SUFFIX, MEMORY, CacheFolder, CacheSize, cache_path
from assembler.errors import AssemblerError

DEFAULT_LIMIT_GB = 20.0
_USERS = ".users"
_GATE = ".gate.lock"


def limit_bytes() -> int:
    """Return the size limit in bytes: 20 GB, or ASSEMBLER_STORE_LIMIT in GB.

    Raises
    ------
    AssemblerError
        ASSEMBLER_STORE_LIMIT is not a number, or negative.
    """
    chosen = os.environ.get("ASSEMBLER_STORE_LIMIT") or str(DEFAULT_LIMIT_GB)
    with suppress(ValueError, OverflowError):
        limit = int(float(chosen) * 1e9)
        if limit >= 0:
            return limit
    raise AssemblerError(f"ASSEMBLER_STORE_LIMIT: must be a number of GB, not `{chosen}`")


@contextmanager
def opened_cache() -> Iterator[CacheFolder | None]:
    """Open the user's cache for one or more builds; None where it can't be written.

    Raises
    ------
    AssemblerError
        ASSEMBLER_STORE_LIMIT is not a number.
    """
    limit = limit_bytes()
    folder = cache_path()
    try:
        own = _enter(folder)
        begun_ns = Path(own.lock_file).stat().st_mtime_ns
    except (OSError, NotImplementedError):  # the latter: a file system without locks
        yield None
        return
    try:
        yield CacheFolder(folder)
    finally:
        with suppress(OSError):
            _leave(folder, own, limit, begun_ns)


def clear_cache(cache: CacheFolder) -> CacheSize:
    """Remove everything in a cache, but no other files in its folder; releases are unchanged.

    Raises
    ------
    AssemblerError
        A build is using it, or it can't be removed.
    """
    size, folder = cache.size(), cache.folder
    if not folder.is_dir():
        return size
    try:
        (folder / _USERS).mkdir(exist_ok=True)
        with filelock.FileLock(folder / _GATE):
            if not _is_unused(folder / _USERS):
                raise AssemblerError(f"{folder}: a build is using it: wait until it ends")
            for own in (*folder.glob("[0-9a-f][0-9a-f]"), folder / MEMORY, folder / _USERS):
                if own.is_dir():
                    shutil.rmtree(own)
        (folder / _GATE).unlink(missing_ok=True)
        with suppress(OSError):  # it has other files
            folder.rmdir()
    except (OSError, NotImplementedError) as error:
        reason = getattr(error, "strerror", None) or "its file system has no locks"
        raise AssemblerError(f"{folder}: can't be cleared: {reason}") from error
    return size


def _enter(folder: Path) -> filelock.BaseFileLock:
    users = folder / _USERS
    users.mkdir(parents=True, exist_ok=True)
    with filelock.FileLock(folder / _GATE):
        if _is_unused(users):
            _clear_unfinished(folder)
        own = filelock.FileLock(users / f"{uuid.uuid4().hex}.lock")  # machines may share it
        own.acquire(timeout=0)
        os.utime(own.lock_file)
    return own


def _leave(folder: Path, own: filelock.BaseFileLock, limit: int, begun_ns: int) -> None:
    with filelock.FileLock(folder / _GATE):
        own.release()
        Path(own.lock_file).unlink(missing_ok=True)
        if _is_unused(folder / _USERS):
            shrink(CacheFolder(folder), limit, begun_ns)


def _is_unused(users: Path) -> bool:
    """Check that nobody holds a lock, and remove the lock files of ended processes."""
    for path in users.iterdir():
        lock = filelock.FileLock(path)
        try:
            lock.acquire(timeout=0)
        except filelock.Timeout:
            return False
        lock.release()
        path.unlink(missing_ok=True)
    return True


def _clear_unfinished(folder: Path) -> None:
    for path in folder.glob("??/.*"):
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def shrink(cache: CacheFolder, limit: int, begun_ns: int) -> None:
    """Remove the least recently used entries until at most `limit` bytes are left.

    Parameters
    ----------
    cache
        The cache; nobody may be using it.
    limit
        In bytes.
    begun_ns
        Entries used since then stay: the build that ends used them.
    """
    entries = sorted(cache.entries())
    total = sum(size for _, size, _ in entries)
    for used_ns, size, path in entries:
        if total <= limit or used_ns >= begun_ns:
            break
        path.with_suffix(CHECKSUM_SUFFIX).unlink(
            missing_ok=True
        )  # first: no entry without one is valid
        path.unlink(missing_ok=True)
        total -= size
