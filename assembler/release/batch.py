"""Build several releases in one go: one plan over all of them, one pool of workers."""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from assembler.cache.store_limit import opened_store
from assembler.cancel import CancelToken, check_cancelled
from assembler.errors import AssemblerError, FindingsError, explained
from assembler.findings import Finding
from assembler.manifest import load
from assembler.manifest.yaml_text import MOST_BYTES
from assembler.mastering.plan import ROOMS, plan_release
from assembler.preflight.check import CheckReport, check
from assembler.release.build_report import BuildReport
from assembler.release.building import Desk, make_release, target_of
from assembler.release.progress import Account, Progress, Step, no_progress, planned_s
from assembler.workers import result_of

MOST_AT_ONCE = 4
"""Releases under way at a time: enough to keep the workers busy while one has its page set, and
no more, since each fills the disk with its unfinished sound."""
_MANIFEST_ENDINGS = (".yaml", ".yml")
_LOOKS_LIKE_A_MANIFEST = re.compile(r"""^[{\s]*["']?(release|tracks)["']?\s*:""", re.MULTILINE)


@dataclass(frozen=True)
class Job:
    """One of several releases: what is known of it before and after it is built.

    Attributes
    ----------
    path
        The manifest.
    checked
        Its check; None where the manifest can't be read.
    target
        The release's folder; None where it can't be made.
    report
        The finished build.
    error
        Why there is none.
    """

    path: Path
    checked: CheckReport | None = None
    target: Path | None = None
    report: BuildReport | None = None
    error: AssemblerError | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of the build, or what stopped it."""
        if self.report:
            return self.report.findings
        if isinstance(self.error, FindingsError):
            return self.error.findings
        return (Finding("error", "stopped", "", str(self.path), 0, str(self.error)),)

    def as_json(self) -> dict[str, Any]:
        """Give it as plain data for ``--json``: what one build tells, and the manifest."""
        told = {
            "ok": False,
            "findings": [finding.as_json() for finding in self.findings],
            "release_dir": None,
            "made": [],
            "reused": [],
            "tracks": [],
        }
        return {"manifest": str(self.path), **(self.report.as_json() if self.report else told)}


def manifests_at(paths: Iterable[Path]) -> list[Path]:
    """Give the manifests among files and folders: of a folder those directly in it, by name.

    Raises
    ------
    AssemblerError
        A folder has none, or can't be read.
    """
    found: dict[Path, Path] = {}
    for path in paths:
        for one in _in_folder(path) if path.is_dir() else (path,):
            found.setdefault(one.resolve(), one)
    return list(found.values())


def _in_folder(folder: Path) -> list[Path]:
    try:
        files = [
            path
            for path in sorted(folder.iterdir())
            if path.suffix.lower() in _MANIFEST_ENDINGS
            and not path.name.startswith(".")
            and path.is_file()
            and _looks_like_a_manifest(path)
        ]
    except OSError as error:
        raise AssemblerError(f"{error.filename}: can't be read: {error.strerror}") from error
    if not files:
        raise AssemblerError(f"{folder}: there is no manifest in this folder")
    return files


def _looks_like_a_manifest(path: Path) -> bool:
    """Look at as much of a file as a manifest can have; what can't be read is told later."""
    try:
        with path.open("rb") as file:
            text = file.read(MOST_BYTES).decode("utf-8", "replace")
    except OSError:
        return True
    return bool(_LOOKS_LIKE_A_MANIFEST.search(text))


def plan_jobs(paths: Sequence[Path], out: Path | None = None) -> list[Job]:
    """Check manifests, each for itself, and refuse those that would write the same folder.

    Parameters
    ----------
    paths
        The manifests.
    out
        Folder for the releases' folders; ``releases`` beside each manifest if not given.

    Returns
    -------
    list of Job
        One a manifest; those with an error can't be built.
    """
    jobs = [_looked_at(path, out) for path in paths]
    rivals: dict[str, list[Path]] = defaultdict(list)
    for job in jobs:
        if job.target:
            rivals[_place(job.target)].append(job.path)
    return [_alone(job, rivals) for job in jobs]


def _looked_at(path: Path, out: Path | None) -> Job:
    check_cancelled()
    checked = None
    try:
        checked = check(load(path))
        if not checked.ok:
            return Job(path, checked, error=FindingsError(checked.findings))
        return Job(path, checked, target_of(checked, out))
    except Exception as error:  # whatever it is, it stops no other release
        return Job(path, checked, error=explained(error))


def _place(target: Path) -> str:
    return str(target.resolve()).casefold()  # one folder on some systems: TWE-1 and twe-1


def _alone(job: Job, rivals: dict[str, list[Path]]) -> Job:
    others = [p for p in rivals[_place(job.target)] if p != job.path] if job.target else []
    if not others:
        return job
    message = (
        f"{job.path}: would write {job.target}, and so would {', '.join(map(str, others))}: give "
        "each a catalogue number of its own, or build them with different --out"
    )
    return replace(job, target=None, error=AssemblerError(message))


def build_jobs(
    planned: Sequence[Job],
    *,
    only: Iterable[str] = ROOMS,
    jobs: int | None = None,
    packages: bool = False,
    progress: Progress = no_progress,
    stop: CancelToken | None = None,
) -> Iterator[Job]:
    """Build what can be built; what fails stops nothing else.

    Parameters
    ----------
    planned
        From `plan_jobs`.
    only, jobs, packages, progress
        As for `assembler.build`; the workers are shared.
    stop
        Ends all of it.

    Yields
    ------
    Job
        Those that were given, in their order, with their report or their error.

    Raises
    ------
    Cancelled
        The work was told to stop; the last releases are as they were.
    """
    stop, rooms, workers = stop or CancelToken(), tuple(only), jobs or os.cpu_count() or 1
    names = len(planned) > 1
    accounts = [Account(_named(progress, job) if names else progress) for job in planned]
    for job, account in zip(planned, accounts, strict=True):
        if job.target and job.checked:
            account.plan(planned_s(plan_release(job.checked, rooms)))
    with opened_store() as store, ThreadPoolExecutor(workers) as pool:
        desk = Desk(pool, store, rooms, packages)
        with ThreadPoolExecutor(min(workers, MOST_AT_ONCE)) as leaders:
            try:
                futures = [
                    leaders.submit(_built, job, desk, stop.part(), account)
                    for job, account in zip(planned, accounts, strict=True)
                ]
                for future in futures:
                    yield result_of(future)
            except BaseException:
                stop.now()
                raise


def _built(job: Job, desk: Desk, stop: CancelToken, account: Account) -> Job:
    """Lead one release through its build."""
    if job.target is None or job.checked is None:
        return job
    with stop.applies():
        check_cancelled()
    try:
        return replace(job, report=make_release(job.checked, job.target, desk, stop, account))
    except Exception as error:  # whatever it is, it stops no other release
        return replace(job, error=explained(error))


def _named(progress: Progress, job: Job) -> Progress:
    """Put the release's name before each step."""
    name = job.target.name if job.target else ""

    def tell(step: Step) -> None:
        progress(replace(step, what=f"{name}  {step.what}") if step.what else step)

    return tell
