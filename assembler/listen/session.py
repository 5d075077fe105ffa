"""One open listening page: its lock, its cache, its server."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path

import filelock

from assembler.cache.folder import CacheFolder
from assembler.cache.limit import opened_cache
from assembler.errors import AssemblerError
from assembler.listen.changes import Changes
from assembler.listen.decided import Decided
from assembler.listen.guard import Guard
from assembler.listen.measured_sides import MeasuredSides
from assembler.listen.revisions import Revisions
from assembler.listen.server import Desk, listening_socket, serve
from assembler.listen.sound import Sound


@contextmanager
def session(path: Path, port: int) -> Iterator[tuple[str, Callable[[], None]]]:
    """Open the page of a manifest.

    Parameters
    ----------
    path
        The manifest.
    port
        Of the loopback address; 0 takes a free one.

    Yields
    ------
    url, serve
        The page's address, and what answers it until Ctrl-C.

    Raises
    ------
    FindingsError
        The manifest can't be loaded.
    AssemblerError
        Its page is already open, or the port is in use.
    """
    revisions = Revisions(path)
    changes = Changes()
    with (
        opened_cache() as found,
        tempfile.TemporaryDirectory(prefix="assembler-", ignore_cleanup_errors=True) as scratch,
        _alone(path),
        listening_socket(port) as sock,
    ):
        cache = found or CacheFolder(Path(scratch) / "cache")
        sides = MeasuredSides(cache, Path(scratch), changes)
        sound = Sound(cache, Path(scratch), changes, sides.steps, sides.whole_side)
        try:
            desk = Desk(revisions, sound, sides, Decided(cache, path), changes)
            guard = Guard(desk.app(), sock.getsockname()[1])
            yield guard.url, partial(serve, guard, sock)
        finally:
            sides.close()
            sound.close()


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Hold the lock of a manifest's page, which no other page may have."""
    name = hashlib.sha256(str(path.resolve()).encode("utf-8", "surrogatepass")).hexdigest()[:24]
    lock = filelock.FileLock(Path(tempfile.gettempdir()) / f"assembler-listen-{name}.lock")
    try:
        lock.acquire(timeout=0)
    except filelock.Timeout as error:
        message = f"{path}: its listening page is already open: use that one, or end it first"
        raise AssemblerError(message) from error
    except (OSError, NotImplementedError):
        yield  # a file system without locks
        return
    try:
        yield
    finally:
        lock.release()
        with suppress(OSError):
            Path(lock.lock_file).unlink(missing_ok=True)
