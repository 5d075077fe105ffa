"""What is remembered of a release's last build: to tell why a file is made anew, and when none is.

It lies beside the store's entries, a file for each release folder; without it a build does more
work, and gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path, PurePosixPath
from typing import Any

from assembler.audio.digest import file_stamp
from assembler.cache.keys import Ingredients, changes, reason
from assembler.cache.store import MEMORY, CacheFolder
from assembler.errors import AssemblerError, FindingsError
from assembler.file_names import utf_8_name
from assembler.findings import Finding
from assembler.finished.finished import open_finished
from assembler.finished.release_folder import CHECKSUMS, REPORT, release_files
from assembler.manifest import ManifestFile, load
from assembler.mastering.plan import name_of
from assembler.release.build_report import BuildReport
from assembler.release.inputs import Inputs

Stamps = dict[str, list[int]]


def unchanged(store: CacheFolder, target: Path, key: str) -> BuildReport | None:
    """Give the account of a release that stands as its last build left it, from the same inputs.

    Returns
    -------
    BuildReport or None
        None where anything has changed, in what it is made from or in the release itself.
    """
    last = _recall(store, target)
    if last.get("key") != key or _stamps(target) != last.get("files"):
        return None
    try:
        content = json.loads((target / REPORT).read_text(encoding="utf-8"))
        findings = tuple(Finding(**told) for told in last["findings"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return BuildReport(
        target,
        findings,
        made=(),
        reused=tuple(name for name in release_files(target)),
        content=content,
        reasons=dict.fromkeys(last["files"], "nothing that the release is made from has changed"),
    )


def remembered_stamps(store: CacheFolder, target: Path) -> Stamps:
    """Return size and times of a release's files as its last build left them."""
    stamps = _recall(store, target).get("files")
    return stamps if isinstance(stamps, dict) else {}


def remember(
    store: CacheFolder,
    inputs: Inputs,
    report: BuildReport,
    made_of: dict[str, Ingredients],
    manifest_path: Path,
) -> None:
    """Keep what the next build wants to know of this one.

    Parameters
    ----------
    store
        Beside whose entries it is kept.
    inputs
        What the release was made from.
    report
        The build's own account.
    made_of
        Ingredients of the files that went through the store.
    manifest_path
        The manifest.
    """
    told = {
        "key": inputs.key if inputs.can_be_remembered else None,
        "files": _stamps(report.release_dir),
        "findings": [asdict(finding) for finding in report.findings],
        "made_of": made_of,
        "manifest": str(manifest_path.resolve()),
    }
    path = _place(store, report.release_dir)
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{os.getpid()}")
        part.write_text(json.dumps(told), encoding="utf-8")
        part.replace(path)


def refuse_other_manifest(store: CacheFolder, target: Path, source: ManifestFile) -> None:
    """Refuse to replace the release of another manifest that writes into the same folder.

    A manifest that was renamed or moved, so that it is where it was no more, is the same one.

    Raises
    ------
    AssemblerError
        The folder holds the release of another manifest.
    """
    if not target.exists():
        return
    place = source.path.resolve()
    if remembered := _recall(store, target).get("manifest"):
        other = Path(str(remembered))
        is_other = other != place and _name_of(other) == name_of(source.manifest)
    else:
        other = Path(_manifest_in(target) or utf_8_name(place.name))
        is_other = other.name != utf_8_name(place.name)
    if is_other:
        raise AssemblerError(
            f"{target}: holds the release of {other}, and {source.path.name} would replace it: "
            "give one of them another catalogue number, or build into another folder with --out; "
            "if it is to be replaced, move the folder away first"
        )


def _name_of(path: Path) -> str | None:
    try:
        return name_of(load(path).manifest)
    except FindingsError:
        return None


def _manifest_in(target: Path) -> str | None:
    """Return the file name of the manifest that a release was built from, as its report says."""
    try:
        return open_finished(target).report["manifest"]
    except AssemblerError:
        return None


def reasons(
    store: CacheFolder,
    target: Path,
    made_of: dict[str, Ingredients],
    taken: Iterable[str],
    same: dict[str, bool | None],
) -> dict[str, str]:
    """Say of each file of a release why it was made anew or reused.

    Parameters
    ----------
    store, target
        Where the last build is remembered.
    made_of
        Ingredients of the files that went through the store, by name.
    taken
        Names of those that the store had.
    same
        Of each file, whether the last release has the same bytes; None where it had none.
    """
    last = _recall(store, target).get("made_of", {})
    had = set(taken)
    told = {}
    for name, is_same in same.items():
        if name in made_of:
            before = last.get(name) or _renamed(name, made_of[name], last, same)
            told[name] = reason(made_of[name], before, was_there=name in had)
        elif is_same is None:
            told[name] = "the first time"
        else:
            told[name] = f"written each time: {'as it was' if is_same else 'now another'}"
    return told


def _renamed(
    name: str, parts: Ingredients, last: dict[str, Ingredients], now: Iterable[str]
) -> Ingredients | None:
    """Find the ingredients of the file that had another name in the last build."""
    place, gone = PurePosixPath(name), set(last) - set(now)
    near = [
        last[other]
        for other in sorted(gone)
        if PurePosixPath(other).parent == place.parent
        and len(changes(parts, last[other])) <= len(parts) // 2
    ]
    return min(near, key=lambda other: len(changes(parts, other)), default=None)


def _recall(store: CacheFolder, target: Path) -> dict[str, Any]:
    try:
        told = json.loads(_place(store, target).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


def _place(store: CacheFolder, target: Path) -> Path:
    name = hashlib.sha256(str(target.resolve()).encode("utf-8", "surrogateescape")).hexdigest()
    return store.folder / MEMORY / f"{name[:32]}.json"


def _stamps(folder: Path) -> Stamps | None:
    if not folder.is_dir():
        return None
    return {name: _stamp(folder / name) or [] for name in (*release_files(folder), CHECKSUMS)}


def _stamp(path: Path) -> list[int] | None:
    try:
        return list(file_stamp(path))
    except OSError:
        return None
