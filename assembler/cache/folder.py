"""The cache: files by a key made from everything that they depend on.

It is in the user's cache folder, or in the folder that ASSEMBLER_STORE names. An entry is written
to a temporary folder and renamed into place. Its checksum file holds its SHA-256, size and time, so
that a damaged entry is detected and made again.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import threading
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import platformdirs

import assembler
from assembler.digest import file_digest

METHOD = 15
"""Version of the methods: raise it when the content of the same key would change."""
MAKERS = (
    "imageio-ffmpeg", "mutagen", "numba", "numpy", "pillow", "pydub", "scipy", "soundfile", "soxr",
)  # fmt: skip
"""Packages whose next version may produce other bytes."""
CHECKSUM_SUFFIX = ".seal"
"""Suffix of an entry's checksum file; its modification time is the entry's last use."""

entries_made: ContextVar[list[str] | None] = ContextVar("entries_made", default=None)
"""Keys of the entries that are made in this context are added to the list, if there is one."""
MEMORY = "releases"
"""Folder of the records of each release's last build."""
_PART_PREFIX = ".making-"
"""Prefix of the temporary folders in which entries are made."""


def cache_key(kind: str, *parts: object) -> str:
    """Return a cache key: a hash of the kind of content and of everything that it depends on.

    Parameters
    ----------
    kind
        What is cached.
    parts
        Plain data: texts, numbers, lists and mappings of them, None.
    """
    content = [assembler.__version__, METHOD, _versions(), kind, parts]
    text = json.dumps(content, ensure_ascii=True, sort_keys=True, default=_plain)
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def _versions() -> list[str]:
    return [f"{name} {version(name)}" for name in MAKERS]


def _plain(value: object) -> object:
    if hasattr(value, "model_dump"):
        return value.model_dump(mode="json")
    return repr(value)


def cache_path() -> Path:
    """Return the path of the cache."""
    chosen = os.environ.get("ASSEMBLER_STORE")
    return Path(chosen) if chosen else Path(platformdirs.user_cache_dir("assembler")) / "store"


@dataclass(frozen=True)
class CacheSize:
    """Number and size of the entries."""

    entries: int
    size_bytes: int


class CacheFolder:
    """Files by key; safe for threads and for several builds at once.

    Parameters
    ----------
    folder
        Its path; created with the first entry.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._locks: defaultdict[str, threading.Lock] = defaultdict(threading.Lock)
        self._lock = threading.Lock()

    def file(self, key: str, make: Callable[[Path], None]) -> Path:
        """Return the file of a key; make it first if it is missing or damaged.

        Parameters
        ----------
        key
            From `cache_key`.
        make
            Writes the file to the given path.

        Raises
        ------
        OSError
            The cache can't be written to.
        """
        with self._lock_of(key):
            path = self._path_of(key)
            if not self._is_intact(path):
                self._write(path, make)
            return path

    def json(self, key: str, make: Callable[[], Any]) -> Any:
        """Return the plain data of a key; make it first if it is missing or damaged."""

        path = self.file(key, lambda part: _write_text(part, json.dumps(make())))
        return json.loads(path.read_text(encoding="utf-8"))

    def known(self, key: str) -> Any:
        """Return the plain data of a key; None where there is none."""
        path = self._path_of(key)
        with suppress(OSError, ValueError):
            if self._is_intact(path):
                return json.loads(path.read_text(encoding="utf-8"))
        return None

    def entry(self, key: str) -> Path:
        """Return the path of a key's entry; it may be missing."""
        return self._path_of(key)

    def put_json(self, key: str, data: object) -> None:
        """Set the plain data of a key, whatever it was before."""
        text = json.dumps(data)
        with self._lock_of(key):
            self._write(self._path_of(key), lambda part: _write_text(part, text))

    def put_file(self, key: str, file: Path) -> Path:
        """Move a file of `folder_for_work` into the cache, unless it has the key's; return it."""

        def move(path: Path) -> None:
            file.replace(path)

        return self.file(key, move)

    @contextmanager
    def folder_for_work(self) -> Iterator[Path]:
        """Make a temporary folder on the cache's file system, whose files can become entries."""
        place = self.folder / "00"
        place.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=place, prefix=_PART_PREFIX) as folder:
            yield Path(folder)

    def forget(self, key: str) -> None:
        """Remove an entry, if it is there."""
        path = self._path_of(key)
        path.with_suffix(CHECKSUM_SUFFIX).unlink(
            missing_ok=True
        )  # first: no entry without one is valid
        path.unlink(missing_ok=True)

    def has(self, key: str) -> bool:
        """Return whether a key has an intact entry."""
        return self._is_intact(self._path_of(key))

    def sha256(self, path: Path) -> str:
        """Return the SHA-256 of an entry from its checksum file."""
        return str(_checksum(path)["sha256"])

    def size(self) -> CacheSize:
        """Return the number and size of the entries."""
        sizes = [size for _, size, _ in self.entries()]
        return CacheSize(len(sizes), sum(sizes))

    def entries(self) -> Iterator[tuple[int, int, Path]]:
        """Return each entry's last use in ns, size in bytes with checksum file, and path."""
        for path in self.folder.glob("??/*"):
            if path.suffix == CHECKSUM_SUFFIX or path.name.startswith("."):
                continue
            with suppress(FileNotFoundError):  # another build may be running
                entry, checksum = path.stat(), path.with_suffix(CHECKSUM_SUFFIX)
                used = checksum.stat() if checksum.exists() else None
                size = entry.st_size + (used.st_size if used else 0)
                yield (used or entry).st_mtime_ns, size, path

    def _lock_of(self, key: str) -> threading.Lock:
        with self._lock:
            return self._locks[key]

    def _path_of(self, key: str) -> Path:
        return self.folder / key[:2] / key

    def _is_intact(self, path: Path) -> bool:
        try:
            checksum, found = _checksum(path), path.stat()
        except (OSError, ValueError, KeyError):
            return False
        if (checksum["size"], checksum["mtime_ns"]) == (found.st_size, found.st_mtime_ns):
            with suppress(OSError):
                os.utime(path.with_suffix(CHECKSUM_SUFFIX))
            return True
        if checksum["size"] != found.st_size or file_digest(path) != checksum["sha256"]:
            return False
        _write_checksum(path, checksum["sha256"])
        return True

    def _write(self, path: Path, make: Callable[[Path], None]) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=_PART_PREFIX) as folder:
            part = Path(folder) / "part"
            make(part)
            digest = file_digest(part)
            if not _has_checksum(path, digest):  # else another build made it at the same time
                path.with_suffix(CHECKSUM_SUFFIX).unlink(missing_ok=True)
            part.replace(path)
            _write_checksum(path, digest)
        if (made := entries_made.get()) is not None:
            made.append(path.name)


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def _has_checksum(path: Path, digest: str) -> bool:
    try:
        return bool(_checksum(path)["sha256"] == digest)
    except (OSError, ValueError, KeyError):
        return False


def _checksum(path: Path) -> dict[str, Any]:
    checksum = json.loads(path.with_suffix(CHECKSUM_SUFFIX).read_text(encoding="utf-8"))
    return {name: checksum[name] for name in ("sha256", "size", "mtime_ns")}


def _write_checksum(path: Path, digest: str) -> None:
    found = path.stat()
    checksum = {"sha256": digest, "size": found.st_size, "mtime_ns": found.st_mtime_ns}
    part = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}")
    part.write_text(json.dumps(checksum), encoding="utf-8")
    part.replace(path.with_suffix(CHECKSUM_SUFFIX))
