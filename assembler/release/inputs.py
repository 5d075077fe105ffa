"""The files that a release is made from, as they are when its build begins.

A source is read completely once, and its digest is cached by path, size and times. Whatever is read
of it later is checked against the digest, so that no work is cached under another recording's key.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import assembler
from assembler.audio.probe import path_text
from assembler.audio.reading import changed
from assembler.cache.folder import CacheFolder, cache_key
from assembler.digest import (
    SourceDigest,
    Stamp,
    file_stamp,
    is_settled,
    source_digest,
)
from assembler.errors import SourceError
from assembler.preflight.check import CheckReport
from assembler.proof.approval import approval_path
from assembler.sleeve.checked_artwork import record_path

_OWN_SUFFIXES = (".py", ".html", ".css", ".js", ".ttf")
_OF_PAPER_AND_PAGES = ("reportlab", "jinja2")
"""Packages that cache keys don't name, since nothing that they make is cached."""


@dataclass(frozen=True)
class Inputs:
    """Files that a release is made from.

    Attributes
    ----------
    key
        Of everything that it is made from; files by their size and times.
    sounds, pictures
        Source files and covers.
    stamps
        Of these, the approval and the record of checked artwork; None for a missing file.
    """

    key: str
    sounds: tuple[Path, ...]
    pictures: tuple[Path, ...]
    stamps: Mapping[Path, Stamp | None]

    def digests(
        self, cache: CacheFolder, run: Callable[..., Iterable[Any]]
    ) -> dict[Path, SourceDigest]:
        """Return the digest of each source: cached, or read now.

        Parameters
        ----------
        cache
            Keeps them.
        run
            Like `map`; files are read in parallel.

        Raises
        ------
        SourceError
            A source is missing, or is changing.
        """

        def digest(path: Path) -> SourceDigest:
            stamp = self.stamps[path]
            if stamp is None or not is_settled(stamp):
                return self._read(path)
            key = _digest_key(path, stamp)
            return SourceDigest.from_json(cache.json(key, lambda: self._read(path).as_json()))

        return dict(zip(self.sounds, run(digest, self.sounds), strict=True))

    def forget_digests(self, cache: CacheFolder) -> None:
        """Remove the sources' digests from the cache: one of them turned out to be wrong."""
        for path in self.sounds:
            cache.forget(_digest_key(path, self.stamps[path]))

    def refuse_changed(self) -> None:
        """Check that no source or picture has changed since the build began.

        Raises
        ------
        SourceError
            One has changed.
        """
        for path in (*self.sounds, *self.pictures):
            if self._is_changed(path):
                raise changed(path)

    @property
    def can_be_remembered(self) -> bool:
        """No file has changed since the build began, and any later change will be detectable."""
        return not any(
            self._is_changed(path) or (stamp and not is_settled(stamp))
            for path, stamp in self.stamps.items()
        )

    def _read(self, path: Path) -> SourceDigest:
        try:
            digest = source_digest(path)
        except OSError as error:
            raise SourceError(f"{path_text(path)}: can't be read any more: build again") from error
        if self._is_changed(path):
            raise changed(path)
        return digest

    def _is_changed(self, path: Path) -> bool:
        return _stamp(path) != self.stamps[path]


def inputs_of(report: CheckReport, rooms: Iterable[str], *, packages: bool) -> Inputs:
    """Return the files that a release is made from.

    Parameters
    ----------
    report
        The check.
    rooms
        Kinds of deliverable to make.
    packages
        Zip files are made.
    """
    source = report.source
    sections = (*report.sections, *((report.hidden,) if report.hidden else ()))
    sounds = dict.fromkeys(f.path for section in sections for f in section.recording.source_files)
    release = source.manifest.release
    sleeve = source.manifest.sleeve
    printed = (*sleeve.logos, *(picture.file for picture in sleeve.pictures)) if sleeve else ()
    pictures = [source.resolve(n) for n in (release.front_cover, release.back_cover, *printed) if n]
    records = (approval_path(source.path), record_path(source.path))
    files = dict.fromkeys((*sounds, *pictures, *records))
    stamps = {path: _stamp(path) for path in files}
    stamped = [[str(path.resolve()), stamp] for path, stamp in stamps.items()]
    request = [source.text, str(source.path.resolve()), sorted(rooms), packages]
    key = cache_key("whole release", request, stamped, _program())
    return Inputs(key, tuple(sounds), tuple(pictures), stamps)


@cache
def _program() -> tuple[object, ...]:
    """Return stamps of this program's own files: a changed template changes a release too."""
    folder = Path(assembler.__file__).parent
    own = sorted(path for path in folder.rglob("*") if path.suffix in _OWN_SUFFIXES)
    stamps = [[path.relative_to(folder).as_posix(), file_stamp(path)] for path in own]
    return (*stamps, *(version(name) for name in _OF_PAPER_AND_PAGES))


def _digest_key(path: Path, stamp: Stamp | None) -> str:
    return cache_key("source digest", str(path.resolve()), stamp)


def _stamp(path: Path) -> Stamp | None:
    try:
        return file_stamp(path)
    except OSError:
        return None
