"""The folder of a finished release: assembled beside its target, then renamed into place."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path, PurePosixPath

import soundfile

from assembler.cache.copies import copy_file
from assembler.errors import AssemblerError, FindingsError
from assembler.finished.output_lock import ENDING, alone, lock_path
from assembler.mastering.plan import ROOMS, Room
from assembler.text_files import OutsideFile

CHECKSUMS = "SHA256SUMS"
REPORT = "report.json"
REPORT_TEXT = "report.txt"
MANIFEST = "manifest.yaml"
RELEASES = "releases"
"""The folder beside a manifest that its releases go to."""
_LAST = "last"
_MOST_BYTES = 64_000_000
_DIGEST = re.compile(r"[0-9a-f]{64}")
_at_work: dict[Path, Path] = {}
"""Working folders of this process, and the release that each is for."""


@contextmanager
def assembling(target: Path) -> Iterator[Path]:
    """Make a working folder beside a release; it is removed at the end, also after an error.

    Raises
    ------
    AssemblerError
        Another build of the release is running, the folder can't be written to, or the disk is
        full.
    """
    out = target.parent
    made = [parent for parent in (out, *out.parents) if not parent.exists()]
    try:
        out.mkdir(parents=True, exist_ok=True)
        with alone(target) as is_for_all:
            _remove_abandoned(out, target, is_for_all=is_for_all)
            work = Path(tempfile.mkdtemp(prefix=_work_prefix(target), dir=out))
            _at_work[work] = target
            try:
                yield work
            finally:
                _remove_work(work, target)
                _at_work.pop(work, None)
    except (OSError, soundfile.LibsndfileError) as error:
        target_of_copy = getattr(error, "filename2", None)  # `filename` is the copy's source
        place = target_of_copy or getattr(error, "filename", None) or out
        reason = getattr(error, "strerror", None) or str(error)
        raise AssemblerError(
            f"{place}: can't be written: {reason}; the last finished release is unchanged"
        ) from error
    finally:
        for folder in made:
            _remove_if_empty(folder)


def _work_prefix(target: Path) -> str:
    return f".{target.name}.assembling-"


def _remove_abandoned(out: Path, own: Path, *, is_for_all: bool) -> None:
    """Remove working folders of killed builds: nobody holds the lock of their release.

    Where locks hold for this user alone, other users' folders stay.
    """
    found = [(work, _target_of(work)) for work in out.glob(".*.assembling-*")]
    locked = [out / path.name[1:].removesuffix(ENDING) for path in out.glob(f".*{ENDING}")]
    for target in dict.fromkeys([*(target for _, target in found), *locked]):
        held = nullcontext() if target == own else alone(target, patience_s=0)
        with suppress(AssemblerError, OSError), held:
            for work in (work for work, of in found if of == target):
                if is_for_all or _is_mine(work):
                    _remove_work(work, target)


def _target_of(work: Path) -> Path:
    return work.with_name(work.name[1:].rpartition(".assembling-")[0])


def _is_mine(path: Path) -> bool:
    return not hasattr(os, "getuid") or path.stat().st_uid == os.getuid()


def clear_up_at_once() -> None:
    """Remove all working folders of this process, which is about to end before its work does."""
    for work, target in list(_at_work.items()):
        _remove_work(work, target)
        lock_path(target).unlink(missing_ok=True)


def _remove_work(work: Path, target: Path) -> None:
    """Remove a working folder; move the last release back if it was being replaced."""
    last = work / _LAST
    if last.exists() and not target.exists():
        last.rename(target)
    shutil.rmtree(work, ignore_errors=True)


def write_checksums(folder: Path, digest: Callable[[Path], str]) -> None:
    """Write `SHA256SUMS` for all files of a folder, in the form that sha256sum -c reads."""
    lines = [f"{digest(folder / name)}  {name}\n" for name in release_files(folder)]
    (folder / CHECKSUMS).write_text("".join(lines), encoding="utf-8", newline="\n")


def read_checksums(folder: Path) -> dict[str, str]:
    """Read `SHA256SUMS`: digests by file name.

    Raises
    ------
    AssemblerError
        It is missing or malformed.
    """
    path = folder / CHECKSUMS
    try:
        lines = OutsideFile(path, "list of checksums", _MOST_BYTES).read_text().split("\n")
    except FindingsError as error:
        raise AssemblerError(f"{path}: can't be read: is this a finished release?") from error
    digests: dict[str, str] = {}
    for number, line in enumerate(filter(None, lines), 1):
        digest, _, name = line.partition("  ")
        places = PurePosixPath(name)
        if not _DIGEST.fullmatch(digest) or not name or name in digests:
            raise AssemblerError(
                f"{path}:{number}: is not a checksum line: build the release again"
            )
        if places.is_absolute() or ".." in places.parts or "\0" in name:
            raise AssemblerError(
                f"{path}:{number}: names a file outside the release: build it again"
            )
        digests[name] = digest
    return digests


def release_files(folder: Path) -> list[str]:
    """List the files of a release without its checksums, by their paths in it."""
    names = (path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    return sorted(name for name in names if name != CHECKSUMS)


def refuse_foreign(target: Path) -> None:
    """Refuse to replace a folder that is not a release.

    Raises
    ------
    AssemblerError
        Something else has the name of the release's folder.
    """
    if target.exists() and not (target / REPORT).is_file():
        raise AssemblerError(
            f"{target}: exists and is not a release (it has no {REPORT}): move it, or choose "
            "another folder with --out"
        )


def keep_other_rooms(old: Path, new: Path, made_rooms: frozenset[str]) -> list[Room]:
    """Keep the deliverables of the last release that this build does not make.

    Returns
    -------
    list of str
        The deliverables that were kept.
    """
    kept = []
    for room in ROOMS:
        if room not in made_rooms and (old / room).is_dir():
            shutil.copytree(old / room, new / room, copy_function=_link_or_copy)
            kept.append(room)
    return kept


def put_in_place(new: Path, target: Path, work: Path) -> None:
    """Rename a finished release into place; the last one moves to the working folder first.

    If this is interrupted, `assembling` moves the last release back.
    """
    if target.exists():
        target.rename(work / _LAST)
    new.rename(target)
    shutil.rmtree(work / _LAST, ignore_errors=True)


def _link_or_copy(source: str, target: str) -> None:
    """Link a file of the last release, which will be removed; copy it where links don't work."""
    try:
        if Path(source).stat().st_nlink > 1:  # another file shares its content
            raise OSError
        os.link(source, target)
    except OSError:
        copy_file(source, target)


def _remove_if_empty(folder: Path) -> None:
    try:
        folder.rmdir()
    except OSError:
        return
