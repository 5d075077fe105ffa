"""The release that a build replaces: its unchanged files, and those that were edited by hand.

A file that stays the same is linked from it; files that were edited or added by hand are copied to
a folder beside the release before it is replaced.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from assembler.cache.copies import copy_file
from assembler.digest import Stamp, file_digest, file_stamp
from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.finished.release_folder import CHECKSUMS, read_checksums, release_files
from assembler.manifest import ManifestFile
from assembler.release.memory import Stamps

Run = Callable[..., Iterable[Any]]


class LastRelease:
    """The last release in a folder when the next build begins; there may be none.

    Parameters
    ----------
    folder
        Its folder.
    stamps
        Size and times of its files, as its build recorded them.
    """

    def __init__(self, folder: Path, stamps: Stamps) -> None:
        self.folder = folder
        self._lock = threading.Lock()
        try:
            self._digests = read_checksums(folder)
        except AssemblerError:
            self._digests = {}
        found = {name: _stamp(folder / name) for name in (*self._digests, CHECKSUMS)}
        unchanged = {
            name for name, stamp in found.items() if stamp and [*stamp] == stamps.get(name)
        }
        self._unchanged: dict[str, Stamp] = {}
        if CHECKSUMS in unchanged:  # else the digests may be wrong
            self._unchanged = {name: s for name, s in found.items() if name in unchanged and s}
        self._by_digest: dict[str, list[str]] = defaultdict(list)
        for name in self._unchanged.keys() & self._digests.keys():
            self._by_digest[self._digests[name]].append(name)

    def link(self, digest: str, target: Path, rooms: Collection[str]) -> str | None:
        """Link an unchanged file into the release that is being made; copy it where links fail.

        Each file is linked once: the last release is removed, so that no two files share content.

        Parameters
        ----------
        digest
            Its SHA-256.
        target
            Its path in the new release.
        rooms
            Deliverables that are made again; the others keep their files anyway.

        Returns
        -------
        str or None
            Its name in the last release; None where there is no such file.
        """
        with self._lock:
            names = [n for n in self._by_digest[digest] if n.partition("/")[0] in rooms]
            if not names:
                return None
            self._by_digest[digest].remove(names[0])
        path = self.folder / names[0]
        try:
            if path.stat().st_nlink > 1:  # another file shares its content
                raise OSError
            os.link(path, target)
        except OSError:  # a file system without links, or the file is missing
            with suppress(OSError):
                copy_file(path, target)
                return names[0]
            target.unlink(missing_ok=True)
            return None
        return names[0]

    def files(self, suffix: str) -> Iterator[tuple[Path, str]]:
        """Return the unchanged files with a suffix, and their SHA-256."""
        for name in self._unchanged.keys() & self._digests.keys():
            if name.endswith(suffix):
                yield self.folder / name, self._digests[name]

    def edited(self, new: Mapping[str, str], run: Run) -> list[str]:
        """Return the names of files that a person edited since they were made.

        Parameters
        ----------
        new
            Digests of the new release: a file that is the same there does not count.
        run
            Like `map`; files that may have been edited are read in parallel.
        """
        to_read = [name for name in self._digests if self._may_be_edited(name)]
        digests = run(lambda name: _digest(self.folder / name), to_read)
        return [
            name
            for name, digest in zip(to_read, digests, strict=True)
            if digest not in (None, self._digests[name], new.get(name))
        ]

    def added(self) -> list[str]:
        """Return the names of files that no build made."""
        if not self.folder.is_dir():
            return []
        return [name for name in release_files(self.folder) if name not in self._digests]

    def copy_aside(self, names: Iterable[str]) -> Path:
        """Copy files into ``NAME.kept`` beside the release, and return that folder."""
        aside = self.folder.with_name(f"{self.folder.name}.kept")
        for name in names:
            copy = _free_name(aside / name)
            copy.parent.mkdir(parents=True, exist_ok=True)
            copy_file(self.folder / name, copy)
            with suppress(OSError):
                shutil.copystat(self.folder / name, copy)
        return aside

    def _may_be_edited(self, name: str) -> bool:
        was, now = self._unchanged.get(name), _stamp(self.folder / name)
        # A link changes the last of the times.
        return now is not None and (was is None or was[:2] != now[:2])


def keep_edits(
    source: ManifestFile, last: LastRelease, new: Path, kept_rooms: Collection[str], run: Run
) -> tuple[list[str], tuple[Finding, ...]]:
    """Copy files that were edited or added by hand in the last release, and report them.

    Parameters
    ----------
    source
        The manifest.
    last
        The release that is about to be replaced.
    new
        The new release, complete.
    kept_rooms
        Deliverables kept from the last release; edited files in them stay.
    run
        Like `map`; files are read in parallel.

    Returns
    -------
    edited, findings
        Names of the edited files, and warnings.
    """

    def stays(name: str) -> bool:
        return name.partition("/")[0] in kept_rooms

    made = {name: digest for name, digest in read_checksums(new).items() if not stays(name)}
    edited, added = last.edited(made, run), last.added()
    replaced = [name for name in edited if not stays(name)]
    aside = last.copy_aside([*replaced, *added])
    kinds = (
        (
            "edited-files-kept",
            replaced,
            f"edited by hand and now made again; your edited files are in {aside}",
        ),
        (
            "edited-files-stay",
            [name for name in edited if stays(name)],
            "edited by hand and kept; build without --only to make them again",
        ),
        ("added-files-kept", added, f"added by hand and now in {aside}"),
    )
    return edited, tuple(
        source.finding("warning", code, (), f"files of the last release {what}: {', '.join(names)}")
        for code, names, what in kinds
        if names
    )


def _stamp(path: Path) -> Stamp | None:
    try:
        return file_stamp(path)
    except OSError:
        return None


def _digest(path: Path) -> str | None:
    try:
        return file_digest(path)
    except OSError:
        return None


def _free_name(path: Path) -> Path:
    free, number = path, 2
    while free.exists():
        free = path.with_name(f"{path.stem} {number}{path.suffix}")
        number += 1
    return free
