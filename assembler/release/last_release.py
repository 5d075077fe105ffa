"""The release that a build replaces: its files as they were made, and those that a person edited.

A file that is to be the same again is taken over from it; what was edited or added by hand is put
beside the release before that is replaced.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from assembler.audio.digest import Stamp, file_digest, file_stamp
from assembler.cache.copies import copy_file
from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.finished.release_folder import CHECKSUMS, read_checksums, release_files
from assembler.manifest import ManifestFile
from assembler.release.memory import Stamps

Run = Callable[..., Iterable[Any]]


class LastRelease:
    """The last release in a folder, as it is when the next build begins; there may be none.

    Parameters
    ----------
    folder
        Its folder.
    stamps
        Of its files, as its build remembered them.
    """

    def __init__(self, folder: Path, stamps: Stamps) -> None:
        self.folder = folder
        self._lock = threading.Lock()
        try:
            self._digests = read_checksums(folder)
        except AssemblerError:
            self._digests = {}
        found = {name: _stamp(folder / name) for name in (*self._digests, CHECKSUMS)}
        as_made = {name for name, stamp in found.items() if stamp and [*stamp] == stamps.get(name)}
        self._as_made: dict[str, Stamp] = {}
        if CHECKSUMS in as_made:  # else nothing vouches for the digests
            self._as_made = {name: s for name, s in found.items() if name in as_made and s}
        self._by_digest: dict[str, list[str]] = defaultdict(list)
        for name in self._as_made.keys() & self._digests.keys():
            self._by_digest[self._digests[name]].append(name)

    def take_over(self, digest: str, target: Path, rooms: Collection[str]) -> str | None:
        """Give an untouched file a second place in the release that is being made.

        Each file is taken once: the last release goes away, so that each has one place again.

        Parameters
        ----------
        digest
            Its SHA-256.
        target
            The second place.
        rooms
            Those that are made anew; the others keep their files themselves.

        Returns
        -------
        str or None
            Its name in the last release; None where there is none, or no second place for it.
        """
        with self._lock:
            names = [n for n in self._by_digest[digest] if n.partition("/")[0] in rooms]
            if not names:
                return None
            self._by_digest[digest].remove(names[0])
        path = self.folder / names[0]
        try:
            if path.stat().st_nlink > 1:  # something else has a part in it
                return None
            os.link(path, target)
        except OSError:  # a file system without links, or the file is gone
            return None
        return names[0]

    def edited(self, new: Mapping[str, str], run: Run) -> list[str]:
        """Return the names of files that a person edited since they were made.

        Parameters
        ----------
        new
            Digests of the release that takes its place: what is the same there is left out.
        run
            Like `map`; files that may have been edited are read side by side.
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

    def put_beside(self, names: Iterable[str]) -> Path:
        """Copy files into ``NAME.kept`` beside the release, and return that folder."""
        aside = self.folder.with_name(f"{self.folder.name}.kept")
        for name in names:
            place = _free_name(aside / name)
            place.parent.mkdir(parents=True, exist_ok=True)
            copy_file(self.folder / name, place)
            with suppress(OSError):
                shutil.copystat(self.folder / name, place)
        return aside

    def _may_be_edited(self, name: str) -> bool:
        was, now = self._as_made.get(name), _stamp(self.folder / name)
        # A second place changes the last of the times.
        return now is not None and (was is None or was[:2] != now[:2])


def keep_edits(
    source: ManifestFile, last: LastRelease, new: Path, kept_rooms: Collection[str], run: Run
) -> tuple[list[str], tuple[Finding, ...]]:
    """Put what a person edited in the last release or added to it beside it, and say so.

    Parameters
    ----------
    source
        The manifest.
    last
        The release that is about to be replaced.
    new
        The one that takes its place, complete.
    kept_rooms
        Rooms that the new one has from the last; what was edited there stays.
    run
        Like `map`; files are read side by side.

    Returns
    -------
    edited, findings
        Names of the files that were edited, and what there is to say.
    """

    def stays(name: str) -> bool:
        return name.partition("/")[0] in kept_rooms

    made = {name: digest for name, digest in read_checksums(new).items() if not stays(name)}
    edited, added = last.edited(made, run), last.added()
    gone = [name for name in edited if not stays(name)]
    aside = last.put_beside([*gone, *added])
    told = (
        (
            "edited-files-kept",
            gone,
            f"edited by hand and now made again; as you edited them they are in {aside}",
        ),
        (
            "edited-files-stay",
            [name for name in edited if stays(name)],
            "edited by hand and left so; build without --only to have them made again",
        ),
        ("added-files-kept", added, f"added by hand and now in {aside}"),
    )
    return edited, tuple(
        source.finding("warning", code, (), f"files of the last release {what}: {', '.join(names)}")
        for code, names, what in told
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
    place, number = path, 2
    while place.exists():
        place = path.with_name(f"{path.stem} {number}{path.suffix}")
        number += 1
    return place
