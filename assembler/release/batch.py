"""Build several releases together, on one pool of workers."""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from assembler.cache.limit import opened_cache
from assembler.cancel import CancelToken, check_cancelled
from assembler.errors import AssemblerError, FindingsError, explained
from assembler.findings import Finding
from assembler.manifest import load
from assembler.manifest.yaml_text import MOST_BYTES
from assembler.mastering.plan import ROOMS, plan_release
from assembler.preflight.check import CheckReport, check
from assembler.release.build_report import BuildReport
from assembler.release.building import BuildSettings, make_release, target_of
from assembler.release.progress import Progress, Step, TaskProgress, no_progress, planned_s
from assembler.workers import result_of, worker_pool

MOST_AT_ONCE = 4
"""Releases built at the same time: enough to keep the workers busy while one writes its paper, and
no more, since each fills the disk with unfinished sound."""
_MANIFEST_ENDINGS = (".yaml", ".yml")
_LOOKS_LIKE_A_MANIFEST = re.compile(r"""^[{\s]*["']?(release|tracks)["']?\s*:""", re.MULTILINE)


@dataclass(frozen=True)
class Job:
    """One of several releases, before and after it is built.

    Attributes
    ----------
    path
        The manifest.
    checked
        Its check; None where the manifest can't be read.
    target
        The release's folder; None where it can't be built.
    report
        The finished build.
    error
        Why there is no build.
    """

    path: Path
    checked: CheckReport | None = None
    target: Path | None = None
    report: BuildReport | None = None
    error: AssemblerError | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings of the build, or of what stopped it."""
        if self.report:
            return self.report.findings
        if isinstance(self.error, FindingsError):
            return self.error.findings
        return (Finding("error", "stopped", "", str(self.path), 0, str(self.error)),)

    def as_json(self) -> dict[str, Any]:
        """Return the job as plain data for ``--json``: as one build does, with the manifest."""
        failed = {
            "ok": False,
            "findings": [finding.as_json() for finding in self.findings],
            "release_dir": None,
            "made": [],
            "reused": [],
            "tracks": [],
        }
        return {"manifest": str(self.path), **(self.report.as_json() if self.report else failed)}


def manifests_at(paths: Iterable[Path]) -> list[Path]:
    """Return the manifests among files and folders: of a folder, those directly in it, by name.

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
        raise AssemblerError(f"{folder}: no manifest in this folder")
    return files


def _looks_like_a_manifest(path: Path) -> bool:
    """Return whether the start of a file looks like a manifest; True for one that can't be read."""
    try:
        with path.open("rb") as file:
            text = file.read(MOST_BYTES).decode("utf-8", "replace")
    except OSError:
        return True
    return bool(_LOOKS_LIKE_A_MANIFEST.search(text))


def plan_jobs(paths: Sequence[Path], out: Path | None = None) -> list[Job]:
    """Check each manifest, and refuse those that would write the same folder.

    Parameters
    ----------
    paths
        The manifests.
    out
        Folder for the releases' folders; ``releases`` beside each manifest if not given.

    Returns
    -------
    list of Job
        One per manifest; those with an error can't be built.
    """
    jobs = [_checked(path, out) for path in paths]
    by_target: dict[str, list[Path]] = defaultdict(list)
    for job in jobs:
        if job.target:
            by_target[_target_key(job.target)].append(job.path)
    return [_refuse_shared_target(job, by_target) for job in jobs]


def _checked(path: Path, out: Path | None) -> Job:
    check_cancelled()
    checked = None
    try:
        checked = check(load(path))
        if not checked.ok:
            return Job(path, checked, error=FindingsError(checked.findings))
        return Job(path, checked, target_of(checked, out))
    except Exception as error:  # no error may stop another release
        return Job(path, checked, error=explained(error))


def _target_key(target: Path) -> str:
    return str(target.resolve()).casefold()  # some file systems ignore case


def _refuse_shared_target(job: Job, by_target: dict[str, list[Path]]) -> Job:
    paths = by_target[_target_key(job.target)] if job.target else []
    others = [str(path) for path in paths if path != job.path]
    if not others:
        return job
    message = (
        f"{job.path}: would write {job.target}, and so would {', '.join(others)}: give each "
        "its own catalogue number, or build them with different --out"
    )
    return replace(job, target=None, error=AssemblerError(message))


def build_jobs(
    planned: Sequence[Job],
    *,
    only: Iterable[str] = ROOMS,
    jobs: int | None = None,
    packages: bool = False,
    progress: Progress = no_progress,
    token: CancelToken | None = None,
) -> Iterator[Job]:
    """Build several releases; one that fails does not stop the others.

    Parameters
    ----------
    planned
        From `plan_jobs`.
    only, jobs, packages, progress
        As for `assembler.build`; the workers are shared.
    token
        Cancels all builds.

    Yields
    ------
    Job
        The given jobs in order, with their report or error.

    Raises
    ------
    Cancelled
        The builds were cancelled; the last releases are unchanged.
    """
    token, rooms, workers = token or CancelToken(), tuple(only), jobs or os.cpu_count() or 1
    several = len(planned) > 1
    all_tasks = [TaskProgress(_named(progress, job) if several else progress) for job in planned]
    for job, tasks in zip(planned, all_tasks, strict=True):
        if job.target and job.checked:
            tasks.plan(planned_s(plan_release(job.checked, rooms)))
    with opened_cache() as cache, worker_pool(workers) as pool:
        settings = BuildSettings(pool, cache, rooms, packages)
        with worker_pool(min(workers, MOST_AT_ONCE)) as leaders:
            try:
                futures = [
                    leaders.submit(_built, job, settings, token.new_child(), tasks)
                    for job, tasks in zip(planned, all_tasks, strict=True)
                ]
                for future in futures:
                    yield result_of(future)
            except BaseException:
                token.cancel()
                raise


def _built(job: Job, settings: BuildSettings, token: CancelToken, tasks: TaskProgress) -> Job:
    """Return a job with its report or its error."""
    if job.target is None or job.checked is None:
        return job
    with token.active():
        check_cancelled()
    try:
        return replace(job, report=make_release(job.checked, job.target, settings, token, tasks))
    except Exception as error:  # no error may stop another release
        return replace(job, error=explained(error))


def _named(progress: Progress, job: Job) -> Progress:
    """Return a progress that adds the release's name to each step."""
    name = job.target.name if job.target else ""

    def report(step: Step) -> None:
        progress(replace(step, what=f"{name}  {step.what}") if step.what else step)

    return report
