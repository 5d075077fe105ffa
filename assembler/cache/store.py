"""The store of finished work: files by a key made from all that they depend on.

It lies in the user's cache folder, or where ASSEMBLER_STORE names a folder. An entry is written
aside and renamed into place; beside it stands its SHA-256 with the size and time of the file that
it was taken of, so that a damaged entry is noticed and made anew.
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
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import platformdirs

import assembler
from assembler.audio.digest import file_digest

METHOD = 7
"""Version of the methods: a change of what the same key would hold asks for the next number."""
MAKERS = (
    "imageio-ffmpeg", "mutagen", "numba", "numpy", "pillow", "pydub", "scipy", "soundfile", "soxr",
)  # fmt: skip
"""Packages whose next version may give other bytes for the same work."""
SEAL = ".seal"
"""Ending of the file beside an entry; its own time is that of the entry's last use."""

MEMORY = "releases"
"""Folder of what is remembered of each release's last build."""
_HALF_MADE = ".making-"
"""How the names of folders begin in which entries are made."""


def cache_key(kind: str, *parts: object) -> str:
    """Give the key of a piece of work: a hash of its kind and of all that it depends on.

    Parameters
    ----------
    kind
        What is made.
    parts
        Plain data: texts, numbers, lists and mappings of them, None.
    """
    told = [assembler.__version__, METHOD, _versions(), kind, parts]
    text = json.dumps(told, ensure_ascii=True, sort_keys=True, default=_plain)
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def _versions() -> list[str]:
    return [f"{name} {version(name)}" for name in MAKERS]


def _plain(value: object) -> object:
    if hasattr(value, "model_dump"):
        return value.model_dump(mode="json")
    return repr(value)


def store_folder() -> Path:
    """Give the folder of the store."""
    chosen = os.environ.get("ASSEMBLER_STORE")
    return Path(chosen) if chosen else Path(platformdirs.user_cache_dir("assembler")) / "store"


@dataclass(frozen=True)
class CacheSize:
    """How much the store holds."""

    entries: int
    size_bytes: int


class CacheFolder:
    """Finished work by key; safe for threads and for several builds at once.

    Parameters
    ----------
    folder
        Where it lies; made when the first entry is written.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._locks: defaultdict[str, threading.Lock] = defaultdict(threading.Lock)
        self._lock = threading.Lock()

    def file(self, key: str, make: Callable[[Path], None]) -> Path:
        """Give the file of a key, made first if it is not there or is damaged.

        Parameters
        ----------
        key
            From `cache_key`.
        make
            Writes the file to the path that it is given.

        Raises
        ------
        OSError
            The store can't be written to.
        """
        with self._lock:
            lock = self._locks[key]
        with lock:
            path = self._place(key)
            if not self._is_whole(path):
                self._write(path, make)
            return path

    def json(self, key: str, make: Callable[[], Any]) -> Any:
        """Give the plain data of a key, made first if it is not there or is damaged."""

        def write(path: Path) -> None:
            path.write_text(json.dumps(make()), encoding="utf-8")

        return json.loads(self.file(key, write).read_text(encoding="utf-8"))

    @contextmanager
    def folder_for_work(self) -> Iterator[Path]:
        """Give an empty folder on the store's file system, whose files can become entries."""
        place = self.folder / "00"
        place.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=place, prefix=_HALF_MADE) as folder:
            yield Path(folder)

    def forget(self, key: str) -> None:
        """Remove an entry, if it is there."""
        path = self._place(key)
        path.with_suffix(SEAL).unlink(missing_ok=True)  # first: what has no seal is not whole
        path.unlink(missing_ok=True)

    def has(self, key: str) -> bool:
        """Tell whether a key is there, whole."""
        return self._is_whole(self._place(key))

    def digest(self, path: Path) -> str:
        """Give the SHA-256 of an entry, as its seal tells it."""
        return str(_checksum(path)["sha256"])

    def size(self) -> CacheSize:
        """Count what is there."""
        sizes = [size for _, size, _ in self.entries()]
        return CacheSize(len(sizes), sum(sizes))

    def entries(self) -> Iterator[tuple[int, int, Path]]:
        """Give each entry's last use in ns, its size in bytes with its seal, and its place."""
        for path in self.folder.glob("??/*"):
            if path.suffix == SEAL or path.name.startswith("."):
                continue
            with suppress(FileNotFoundError):  # another build may be at work
                found, seal = path.stat(), path.with_suffix(SEAL)
                told = seal.stat() if seal.exists() else None
                size = found.st_size + (told.st_size if told else 0)
                yield (told or found).st_mtime_ns, size, path

    def _place(self, key: str) -> Path:
        return self.folder / key[:2] / key

    def _is_whole(self, path: Path) -> bool:
        try:
            seal, found = _checksum(path), path.stat()
        except (OSError, ValueError, KeyError):
            return False
        if (seal["size"], seal["mtime_ns"]) == (found.st_size, found.st_mtime_ns):
            with suppress(OSError):
                os.utime(path.with_suffix(SEAL))
            return True
        if seal["size"] != found.st_size or file_digest(path) != seal["sha256"]:
            return False
        _write_checksum(path, seal["sha256"])
        return True

    def _write(self, path: Path, make: Callable[[Path], None]) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=_HALF_MADE) as folder:
            part = Path(folder) / "part"
            make(part)
            digest = file_digest(part)
            if not _has_checksum(path, digest):  # else another build made it at the same time
                path.with_suffix(SEAL).unlink(missing_ok=True)
            part.replace(path)
            _write_checksum(path, digest)


def _has_checksum(path: Path, digest: str) -> bool:
    try:
        return bool(_checksum(path)["sha256"] == digest)
    except (OSError, ValueError, KeyError):
        return False


def _checksum(path: Path) -> dict[str, Any]:
    seal = json.loads(path.with_suffix(SEAL).read_text(encoding="utf-8"))
    return {name: seal[name] for name in ("sha256", "size", "mtime_ns")}


def _write_checksum(path: Path, digest: str) -> None:
    found = path.stat()
    seal = {"sha256": digest, "size": found.st_size, "mtime_ns": found.st_mtime_ns}
    part = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}")
    part.write_text(json.dumps(seal), encoding="utf-8")
    part.replace(path.with_suffix(SEAL))
