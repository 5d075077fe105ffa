"""Who uses the store of finished work, and how much it may keep.

Each process that builds holds a lock file in the store's folder. Who comes or goes while nobody
else is there clears up: what a killed build left half made, and, of finished work, what was used
longest ago, as far as the store is over its bound.
"""

from __future__ import annotations

import itertools
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import filelock

from assembler.cache.store import MEMORY, SEAL, CacheFolder, CacheSize, store_folder
from assembler.errors import AssemblerError

DEFAULT_LIMIT_GB = 20.0
_USERS = ".users"
_GATE = ".gate.lock"
_numbers = itertools.count()


def limit_bytes() -> int:
    """Give the bound of the store: 20 GB, or what ASSEMBLER_STORE_LIMIT says, in GB.

    Raises
    ------
    AssemblerError
        It says no number, or less than nothing.
    """
    chosen = os.environ.get("ASSEMBLER_STORE_LIMIT") or str(DEFAULT_LIMIT_GB)
    with suppress(ValueError, OverflowError):
        limit = int(float(chosen) * 1e9)
        if limit >= 0:
            return limit
    raise AssemblerError(f"ASSEMBLER_STORE_LIMIT: is a number of GB, as in 20, not `{chosen}`")


@contextmanager
def opened_store() -> Iterator[CacheFolder | None]:
    """Open the user's store for one or more builds; None where it can't be written.

    Raises
    ------
    AssemblerError
        ASSEMBLER_STORE_LIMIT is no number.
    """
    limit = limit_bytes()
    folder = store_folder()
    try:
        own = _come(folder)
        begun_ns = Path(own.lock_file).stat().st_mtime_ns
    except (OSError, NotImplementedError):  # the latter: a file system without locks
        yield None
        return
    try:
        yield CacheFolder(folder)
    finally:
        with suppress(OSError):
            _go(folder, own, limit, begun_ns)


def clear_cache(store: CacheFolder) -> CacheSize:
    """Remove all that a store holds, and nothing that others put there; releases stay as they are.

    Raises
    ------
    AssemblerError
        A build is at work with it, or it can't be removed.
    """
    size, folder = store.size(), store.folder
    if not folder.is_dir():
        return size
    try:
        (folder / _USERS).mkdir(exist_ok=True)
        with filelock.FileLock(folder / _GATE):
            if not _is_unused(folder / _USERS):
                raise AssemblerError(f"{folder}: a build is at work with it: wait for its end")
            for own in (*folder.glob("[0-9a-f][0-9a-f]"), folder / MEMORY, folder / _USERS):
                if own.is_dir():
                    shutil.rmtree(own)
        (folder / _GATE).unlink(missing_ok=True)
        with suppress(OSError):  # something else is in it
            folder.rmdir()
    except (OSError, NotImplementedError) as error:
        reason = getattr(error, "strerror", None) or "its file system knows no locks"
        raise AssemblerError(f"{folder}: can't be cleared: {reason}") from error
    return size


def _come(folder: Path) -> filelock.BaseFileLock:
    users = folder / _USERS
    users.mkdir(parents=True, exist_ok=True)
    with filelock.FileLock(folder / _GATE):
        if _is_unused(users):
            _clear_half_made(folder)
        own = filelock.FileLock(users / f"{os.getpid()}-{next(_numbers)}.lock")
        own.acquire(timeout=0)
        os.utime(own.lock_file)
    return own


def _go(folder: Path, own: filelock.BaseFileLock, limit: int, begun_ns: int) -> None:
    with filelock.FileLock(folder / _GATE):
        own.release()
        Path(own.lock_file).unlink(missing_ok=True)
        if _is_unused(folder / _USERS):
            cut_back(CacheFolder(folder), limit, begun_ns)


def _is_unused(users: Path) -> bool:
    """Look whether nobody holds a lock, and remove those of processes that are gone."""
    for path in users.iterdir():
        lock = filelock.FileLock(path)
        try:
            lock.acquire(timeout=0)
        except filelock.Timeout:
            return False
        lock.release()
        path.unlink(missing_ok=True)
    return True


def _clear_half_made(folder: Path) -> None:
    for path in folder.glob("??/.*"):
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def cut_back(store: CacheFolder, limit: int, begun_ns: int) -> None:
    """Remove what was used longest ago until no more than `limit` bytes are left.

    Parameters
    ----------
    store
        Nobody may be using it.
    limit
        Its bound, in bytes.
    begun_ns
        What was used from this time on stays: the build that ends worked with it.
    """
    entries = sorted(store.entries())
    total = sum(size for _, size, _ in entries)
    for used_ns, size, path in entries:
        if total <= limit or used_ns >= begun_ns:
            break
        path.with_suffix(SEAL).unlink(missing_ok=True)  # first: what has no seal is not whole
        path.unlink(missing_ok=True)
        total -= size
