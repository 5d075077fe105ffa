"""Build a release: its folder is either finished or not there at all."""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

from assembler.audio.probe import path_text
from assembler.cache.folder import CacheFolder
from assembler.cache.limit import opened_cache
from assembler.cancel import CancelToken
from assembler.errors import AssemblerError, FindingsError, SourceError
from assembler.findings import Loc
from assembler.finished.release_folder import RELEASES, assembling, refuse_foreign
from assembler.manifest import ManifestFile
from assembler.mastering.plan import ROOMS, plan_release, release_name
from assembler.preflight.check import CheckReport, check
from assembler.preflight.tone import all_matched
from assembler.preflight.track_section import ToneMatch
from assembler.release.build_report import BuildReport
from assembler.release.inputs import inputs_of
from assembler.release.last_release import LastRelease
from assembler.release.memory import refuse_other_manifest, remembered_stamps, unchanged
from assembler.release.progress import Progress, TaskProgress, no_progress, planned_s
from assembler.workers import Share, own_workers, worker_pool


@dataclass(frozen=True)
class BuildSettings:
    """What parallel builds share.

    Attributes
    ----------
    pool
        The workers.
    cache
        The user's cache; None where it can't be written.
    rooms
        Kinds of deliverable to make.
    packages
        Make a zip file of each download format too.
    """

    pool: Executor
    cache: CacheFolder | None
    rooms: tuple[str, ...]
    packages: bool


def build(
    source: ManifestFile,
    out: Path | None = None,
    *,
    only: Iterable[str] = ROOMS,
    jobs: int | None = None,
    packages: bool = False,
    progress: Progress = no_progress,
) -> BuildReport:
    """Make a release.

    Parameters
    ----------
    source
        The manifest.
    out
        Folder for the release's own folder; ``releases`` beside the manifest if not given.
    only
        Kinds of deliverable to make: disc, download, paper, proof.
    jobs
        Number of workers; one per core if not given.
    packages
        Make a zip file of each download format too.
    progress
        Called with each step, in the thread that does it.

    Raises
    ------
    FindingsError
        The manifest or its sources have errors; nothing was written.
    AssemblerError
        The build could not be finished; the last release is unchanged.
    """
    report = check(source)
    if not report.ok:
        raise FindingsError(report.findings)
    with worker_pool(jobs or os.cpu_count() or 1) as pool, opened_cache() as cache:
        tasks = TaskProgress(progress)
        tasks.plan(planned_s(plan_release(report, only)))
        settings = BuildSettings(pool, cache, tuple(only), packages)
        return make_release(report, target_of(report, out), settings, CancelToken(), tasks)


def check_with_digests(report: CheckReport) -> CheckReport:
    """Check a manifest again, now with the digests of its sources: cached, or read now.

    Raises
    ------
    AssemblerError
        A source can't be read.
    """
    inputs = inputs_of(report, (), packages=False)
    with own_workers(None) as pool, opened_cache() as cache, TemporaryDirectory() as own:
        digests = inputs.digests(cache or CacheFolder(Path(own)), pool.map)
    return check(report.source, digests=digests)


def measured_tones(
    source: ManifestFile, like: Literal["album"] | int | None, jobs: int | None = None
) -> dict[int, ToneMatch]:
    """Return the tone matches of a manifest's tracks, by index; sides are restored for them.

    Parameters
    ----------
    source
        The manifest.
    like
        What the tracks are matched to that don't say so themselves: a track's number, or the album.
    jobs
        Number of workers; one per core if not given.

    Raises
    ------
    FindingsError
        The manifest or its sources have errors.
    """
    if like is not None:
        source = all_matched(source, like)
    if not any(track.tone_like or track.tone for track in source.manifest.tracks):
        return {}
    report = check(source)
    inputs = inputs_of(report, (), packages=False)
    with own_workers(jobs) as pool, opened_cache() as cache, TemporaryDirectory() as own:
        folder = cache or CacheFolder(Path(own) / "cache")
        if report.ok:
            digests = inputs.digests(folder, pool.map)
            report = check(source, scratch=Path(own), cache=folder, digests=digests)
    if not report.ok:
        raise FindingsError(report.findings)
    return {section.index: section.tone for section in report.sections if section.tone}


def target_of(report: CheckReport, out: Path | None) -> Path:
    """Return the folder of a checked manifest's release.

    Raises
    ------
    AssemblerError
        The path is too long, or its links form a loop.
    """
    target = (out or report.source.path.parent / RELEASES) / release_name(report)
    try:
        target.stat()
    except FileNotFoundError:
        pass
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        message = f"{path_text(target)}: can't be written: {reason.lower()}: choose another --out"
        raise AssemblerError(message) from error
    return target


def make_release(
    report: CheckReport,
    target: Path,
    settings: BuildSettings,
    token: CancelToken,
    tasks: TaskProgress,
) -> BuildReport:
    """Make the release of a manifest that passed its check.

    Parameters
    ----------
    report
        The check.
    target
        The release's folder.
    settings
        Workers, cache and deliverables.
    token
        Cancels the build; cancelled here when something fails.
    tasks
        Reports the tasks, which are already planned.

    Raises
    ------
    FindingsError
        A source has errors that only reading it shows; nothing was written.
    AssemblerError
        The build could not be finished; the last release is unchanged.
    Cancelled
        The build was cancelled; the last release is unchanged.
    """
    refuse_foreign(target)
    with token.active(), assembling(target) as work, Share(settings.pool, token) as pool:
        cache = settings.cache or CacheFolder(work / "cache")
        refuse_other_manifest(cache, target, report.source)
        inputs = inputs_of(report, settings.rooms, packages=settings.packages)
        try:
            if kept := unchanged(cache, target, inputs.key):
                return kept
            from assembler.release.artifact_cache import ArtifactCache
            from assembler.release.run import (
                Build,  # loads the sound rooms: only when there is work
            )

            digests = inputs.digests(cache, pool.map)
            exact = check(report.source, scratch=work, cache=cache, digests=digests)
            if not exact.ok:
                inputs.forget_digests(cache)
                raise FindingsError(exact.findings)
            plan = plan_release(exact, settings.rooms)
            last = LastRelease(target, remembered_stamps(cache, target))
            artifacts = ArtifactCache(cache, last, plan.rooms)
            build = Build(plan, inputs, work, artifacts, pool, tasks, settings.packages)
            return build.run(target)
        except SourceError as error:
            inputs.forget_digests(cache)  # the file may have changed since its digest was cached
            raise _source_findings(report.source, error) from error
        finally:
            tasks.finish()


def _source_findings(source: ManifestFile, error: SourceError) -> FindingsError:
    loc: Loc = ("tracks",) if error.index is None else ("tracks", error.index, "audio")
    return FindingsError([source.finding("error", error.code, loc, str(error))])
