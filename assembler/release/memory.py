"""The record of a release's last build: explains why files are made, and detects when nothing is.

It is kept in the cache, one file per release folder. Without it a build does more work for the same
bytes.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from assembler.cache.folder import MEMORY, CacheFolder
from assembler.cache.keys import Ingredients, reason
from assembler.digest import file_stamp
from assembler.errors import AssemblerError, FindingsError
from assembler.file_names import utf_8_name
from assembler.findings import Finding
from assembler.finished.finished import open_finished
from assembler.finished.release_folder import CHECKSUMS, REPORT, release_files
from assembler.finished.report_form import ReleaseReport
from assembler.manifest import ManifestFile, load
from assembler.mastering.plan import name_of
from assembler.release.build_report import BuildReport
from assembler.release.inputs import Inputs

Stamps = dict[str, list[int]]


def unchanged(cache: CacheFolder, target: Path, key: str) -> BuildReport | None:
    """Return the build report of a release that is up to date and as its last build left it.

    Returns
    -------
    BuildReport or None
        None where anything has changed, in its inputs or in the release itself.
    """
    last = _read_record(cache, target)
    if last.get("key") != key or _stamps(target) != last.get("files"):
        return None
    try:
        report = ReleaseReport.model_validate_json((target / REPORT).read_bytes())
        findings = tuple(Finding(**one) for one in last["findings"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return BuildReport(
        target,
        findings,
        made=(),
        reused=tuple(name for name in release_files(target)),
        report=report,
        reasons=dict.fromkeys(last["files"], "nothing that the release is made from has changed"),
    )


def remembered_stamps(cache: CacheFolder, target: Path) -> Stamps:
    """Return size and times of a release's files as its last build left them."""
    stamps = _read_record(cache, target).get("files")
    return stamps if isinstance(stamps, dict) else {}


def remember(
    cache: CacheFolder,
    inputs: Inputs,
    report: BuildReport,
    ingredients: dict[str, Ingredients],
    manifest_path: Path,
) -> None:
    """Record this build for the next one.

    Parameters
    ----------
    cache
        Where it is kept.
    inputs
        What the release was made from.
    report
        The build.
    ingredients
        Of the cached files, by name.
    manifest_path
        The manifest.
    """
    record = {
        "key": inputs.key if inputs.can_be_remembered else None,
        "files": _stamps(report.release_dir),
        "findings": [asdict(finding) for finding in report.findings],
        "ingredients": ingredients,
        "manifest": str(manifest_path.resolve()),
    }
    path = _record_path(cache, report.release_dir)
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{os.getpid()}")
        part.write_text(json.dumps(record), encoding="utf-8")
        part.replace(path)


def refuse_other_manifest(cache: CacheFolder, target: Path, source: ManifestFile) -> None:
    """Refuse to replace the release of another manifest in the same folder.

    A manifest that was renamed or moved, so that the old path is gone, counts as the same.

    Raises
    ------
    AssemblerError
        The folder holds the release of another manifest.
    """
    if not target.exists():
        return
    path = source.path.resolve()
    if recorded := _read_record(cache, target).get("manifest"):
        other = Path(str(recorded))
        is_other = other != path and _name_of(other) == name_of(source.manifest)
    else:
        other = Path(_manifest_in(target) or utf_8_name(path.name))
        is_other = other.name != utf_8_name(path.name)
    if is_other:
        raise AssemblerError(
            f"{target}: has the release of {other}, and {source.path.name} would replace it: give "
            "one of them another catalogue number, or build into another folder with --out; to "
            "replace it, move the folder away first"
        )


def _name_of(path: Path) -> str | None:
    try:
        return name_of(load(path).manifest)
    except FindingsError:
        return None


def _manifest_in(target: Path) -> str | None:
    """Return the file name of the manifest in a release's report."""
    try:
        return open_finished(target).report.manifest
    except AssemblerError:
        return None


def reasons(
    cache: CacheFolder,
    target: Path,
    ingredients: dict[str, Ingredients],
    reused: Iterable[str],
    same: dict[str, bool | None],
) -> dict[str, str]:
    """Return why each file of a release was made again or reused.

    Parameters
    ----------
    cache, target
        The cache and the release, whose last build is recorded there.
    ingredients
        Of the cached files, by name.
    reused
        Names of the files that the cache had.
    same
        Whether each file has the same bytes in the last release; None for a new file.
    """
    last = _read_record(cache, target).get("ingredients", {})
    cached = set(reused)
    texts = {}
    for name, is_same in same.items():
        if name in ingredients:
            texts[name] = reason(ingredients[name], last.get(name), was_cached=name in cached)
        elif is_same is None:
            texts[name] = "new"
        else:
            texts[name] = f"written each time: {'unchanged' if is_same else 'changed'}"
    return texts


def _read_record(cache: CacheFolder, target: Path) -> dict[str, Any]:
    try:
        record = json.loads(_record_path(cache, target).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}


def _record_path(cache: CacheFolder, target: Path) -> Path:
    name = hashlib.sha256(str(target.resolve()).encode("utf-8", "surrogateescape")).hexdigest()
    return cache.folder / MEMORY / f"{name[:32]}.json"


def _stamps(folder: Path) -> Stamps | None:
    if not folder.is_dir():
        return None
    return {name: _stamp(folder / name) or [] for name in (*release_files(folder), CHECKSUMS)}


def _stamp(path: Path) -> list[int] | None:
    try:
        return list(file_stamp(path))
    except OSError:
        return None
