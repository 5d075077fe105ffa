"""Build a release: from a manifest to a folder that is finished or not there at all."""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from assembler.audio.probe import path_text
from assembler.cache.store import CacheFolder
from assembler.cache.store_limit import opened_store
from assembler.cancel import CancelToken
from assembler.errors import AssemblerError, FindingsError, SourceError
from assembler.findings import Loc
from assembler.finished.release_folder import assembling, refuse_foreign
from assembler.manifest import ManifestFile
from assembler.mastering.plan import ROOMS, plan_release, release_name
from assembler.preflight.check import CheckReport, check
from assembler.release.build_report import BuildReport
from assembler.release.inputs import inputs_of
from assembler.release.last_release import LastRelease
from assembler.release.memory import refuse_other_manifest, remembered_stamps, unchanged
from assembler.release.progress import Account, Progress, no_progress, planned_s
from assembler.workers import Share


@dataclass(frozen=True)
class Desk:
    """What builds work with side by side.

    Attributes
    ----------
    pool
        The workers.
    store
        Finished work; None where the user's store can't be written.
    rooms
        Kinds of deliverable to make.
    packages
        Put the files of each download format into a zip file too.
    """

    pool: Executor
    store: CacheFolder | None
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
        How many pieces of work run side by side; as many as there are cores if not given.
    packages
        Put the files of each download format into a zip file too.
    progress
        Is told of each step, by the thread that does it.

    Raises
    ------
    FindingsError
        The manifest or its sources have errors; nothing was written.
    AssemblerError
        The work could not be finished; the last release is as it was.
    """
    report = check(source)
    if not report.ok:
        raise FindingsError(report.findings)
    with ThreadPoolExecutor(jobs or os.cpu_count()) as pool, opened_store() as store:
        account = Account(progress)
        account.plan(planned_s(plan_release(report, only)))
        desk = Desk(pool, store, tuple(only), packages)
        return make_release(report, target_of(report, out), desk, CancelToken(), account)


def target_of(report: CheckReport, out: Path | None) -> Path:
    """Give the folder of a checked manifest's release.

    Raises
    ------
    AssemblerError
        No folder can have this path: it is too long, or its links go round in a ring.
    """
    target = (out or report.source.path.parent / "releases") / release_name(report)
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
    report: CheckReport, target: Path, desk: Desk, stop: CancelToken, account: Account
) -> BuildReport:
    """Make the release of a manifest that passed its check.

    Parameters
    ----------
    report
        The check.
    target
        The release's folder.
    desk
        What to work with.
    stop
        Ends it; told here when something fails.
    account
        The work, already planned.

    Raises
    ------
    FindingsError
        A source has errors that only reading it shows; nothing was written.
    AssemblerError
        The work could not be finished; the last release is as it was.
    Cancelled
        It was told to stop; the last release is as it was.
    """
    refuse_foreign(target)
    with stop.applies(), assembling(target) as work, Share(desk.pool, stop) as pool:
        store = desk.store or CacheFolder(work / "store")
        refuse_other_manifest(store, target, report.source)
        inputs = inputs_of(report, desk.rooms, packages=desk.packages)
        try:
            if kept := unchanged(store, target, inputs.key):
                return kept
            from assembler.release.run import Build  # the sound rooms: only when there is work

            digests = inputs.digests(store, pool.map)
            exact = check(report.source, scratch=work, store=store, digests=digests)
            if not exact.ok:
                inputs.forget_digests(store)
                raise FindingsError(exact.findings)
            plan = plan_release(exact, desk.rooms)
            last = LastRelease(target, remembered_stamps(store, target))
            whole = Build(plan, inputs, work, store, last, pool, account, packages=desk.packages)
            return whole.run(target)
        except SourceError as error:
            inputs.forget_digests(store)  # it may be another file than the remembered one
            loc: Loc = ("tracks",) if error.index is None else ("tracks", error.index, "audio")
            finding = report.source.finding("error", error.code, loc, str(error))
            raise FindingsError([finding]) from error
        finally:
            account.settle()
