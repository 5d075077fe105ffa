"""One open listening page: its lock, its cache, its server."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import filelock

from assembler.cache.folder import CacheFolder
from assembler.cache.limit import opened_cache
from assembler.errors import AssemblerError
from assembler.listen.decided import Decided
from assembler.listen.front import Front, ctrl_c_noted, listening_socket
from assembler.listen.guard import Guard
from assembler.listen.known_page import KnownPage

if TYPE_CHECKING:
    from assembler.listen.server import Desk


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
    with (
        opened_cache() as found,
        tempfile.TemporaryDirectory(prefix="assembler-", ignore_cleanup_errors=True) as scratch,
        _alone(path),
        listening_socket(port) as sock,
    ):
        cache = found or CacheFolder(Path(scratch) / "cache")
        known = KnownPage(cache, path)
        if known.document is None:
            from assembler.manifest import load_to_check

            load_to_check(path)  # refuses it before an address is printed
        decided = Decided(cache, path)
        with (
            ctrl_c_noted() as pressed,
            _opening(path, cache, Path(scratch), decided, known) as opening,
        ):
            front = Front(opening, known, decided)
            guard = Guard(front.app(), sock.getsockname()[1])
            yield guard.url, partial(front.serve, guard, sock, pressed)


@contextmanager
def _opening(
    path: Path, cache: CacheFolder, scratch: Path, decided: Decided, known: KnownPage
) -> Iterator[Future[Desk]]:
    """Open the desk beside other work, and close it at the end."""

    def opened() -> Desk:
        from assembler.listen.server import opened_desk

        return opened_desk(path, cache, scratch, decided, known)

    with ThreadPoolExecutor(1) as pool:
        opening = pool.submit(opened)
        try:
            yield opening
        finally:
            if opening.exception() is None:
                opening.result().close()


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
