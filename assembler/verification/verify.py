"""Verify a finished release: files, texts, tags, levels, and the same sound in all files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from assembler.download.formats import facts_of
from assembler.errors import AssemblerError
from assembler.findings import Finding, errors_in
from assembler.finished.finished import (
    FinishedRelease,
    UnreadableError,
    mismatch,
    open_finished,
    reading,
)
from assembler.finished.release_folder import REPORT_TEXT, read_checksums
from assembler.verification.disc import DISC_CHECKS
from assembler.verification.downloads import coded_length, plain_length, tags
from assembler.verification.files import changed_file, found_files, listed_files, other_files
from assembler.verification.levels import (
    LosslessTrack,
    download_tracks,
    image_tracks,
    level,
    second_readings,
)
from assembler.verification.mailed_proof import PATH as MAILED
from assembler.verification.mailed_proof import mailed_proof
from assembler.verification.other_edition import OtherEdition, other_editions
from assembler.verification.pairs import (
    FileCheck,
    clip_pairs,
    download_pairs,
    find_sources,
    source_pairs,
)
from assembler.verification.plant import plant_checks
from assembler.verification.proof import is_known, proof_page
from assembler.verification.report import reports
from assembler.verification.second_meter import SecondReading
from assembler.verification.texts import package, packages, paper, pq_texts, tables
from assembler.workers import own_workers


@dataclass(frozen=True)
class VerifyReport:
    """The result of a verification.

    Attributes
    ----------
    findings
        All that does not match.
    proofs
        What was compared, with counts.
    readings
        Lossless files measured with a second meter, if requested.
    """

    release_dir: Path
    findings: tuple[Finding, ...]
    proofs: tuple[str, ...]
    readings: tuple[SecondReading, ...] = ()

    @property
    def ok(self) -> bool:
        """Everything that was compared matches."""
        return not errors_in(self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain data for ``--json``."""
        return {
            "ok": self.ok,
            "release_dir": str(self.release_dir),
            "findings": [finding.as_json() for finding in self.findings],
            "proofs": list(self.proofs),
            "second_meter": [reading.as_json() for reading in self.readings],
        }


def verify(
    release_dir: Path,
    *,
    jobs: int | None = None,
    sources: Path | None = None,
    second_meter: bool = False,
) -> VerifyReport:
    """Verify a finished release.

    Parameters
    ----------
    release_dir
        The release's folder.
    jobs
        Number of workers; one per core if not given.
    sources
        The folder that the manifest's paths are relative to; beside or above the release's if not
        given.
    second_meter
        Measure all lossless files again with independent meters.

    Raises
    ------
    AssemblerError
        The folder is not a release, or its sources are missing.
    """
    digests = read_checksums(release_dir)
    files, findings = found_files(release_dir)
    findings += listed_files(files, digests)
    listed = {name: digest for name, digest in digests.items() if name in set(files)}
    proofs = [f"checksums: {len(digests)}"]
    readings: list[SecondReading] = []
    with own_workers(jobs) as pool:
        sums = pool.map(partial(changed_file, release_dir), listed.items())
        findings += [finding for finding in sums if finding]
        try:
            release = open_finished(release_dir)
        except UnreadableError as error:
            findings.append(mismatch("unreadable-file", error.name, error.reason))
            return VerifyReport(release_dir, tuple(findings), tuple(proofs))
        findings += other_files(release, files, digests)
        for what, found, count in _run_checks(pool, release, set(files), sources):
            proofs.append(f"{what}: {count}")
            findings += found
        for other in other_editions(release):
            findings += other.not_compared()
        if second_meter:
            readings, found = second_readings(release, pool)
            findings += found
    return VerifyReport(release_dir, tuple(findings), tuple(proofs), tuple(readings))


def _run_checks(
    pool: Executor, release: FinishedRelease, files: set[str], sources: Path | None
) -> Iterator[tuple[str, list[Finding], int]]:
    """Run all checks; return the name of each, its findings, and the number of files."""
    running = []
    for what, file_checks in (*_checks(release), *_source_checks(release, sources)):
        present = [check for check in file_checks if check[0] in files]
        running.append((what, pool.map(_check_file, present), len(present)))
    for what, found, count in running:
        if count:
            yield what, [finding for of_file in found for finding in of_file], count


def _checks(release: FinishedRelease) -> Iterator[tuple[str, Iterable[FileCheck]]]:
    yield "reports", [(REPORT_TEXT, partial(reports, release))]
    if release.has("disc"):
        yield from _disc_checks(release.primary)
    if release.has("download"):
        yield from _download_checks(release)
    if release.has("paper"):
        yield "sets of paper documents", [("paper/credits-sheet.txt", partial(paper, release))]
    if release.has("proof"):
        if is_known(release):
            page = [("proof/index.html", partial(proof_page, release))]
            yield "proof pages with pictures", page
            yield "mailed proofs", [(MAILED, partial(mailed_proof, release))]
        yield "clips of joins with the image", clip_pairs(release)


def _disc_checks(release: FinishedRelease) -> Iterator[tuple[str, Iterable[FileCheck]]]:
    for what, (suffix, check) in DISC_CHECKS.items():
        named = [(release.disc_file(d.number, suffix), d) for d in release.report.discs]
        yield what, [(name, partial(check, release, disc)) for name, disc in named]
    yield from plant_checks(release)
    cues = [(release.disc_file(order.number, ".cue"), order) for order in release.discs]
    yield "PQ sheets", [(c, partial(pq_texts, release, order)) for c, order in cues]
    yield "track levels on the image", _level_checks(image_tracks(release))


def _level_checks(tracks: Iterable[LosslessTrack]) -> list[FileCheck]:
    return [(track.file, partial(level, track)) for track in tracks]


def _download_checks(release: FinishedRelease) -> Iterator[tuple[str, Iterable[FileCheck]]]:
    """Return the checks of all download sets, those of one kind together."""
    found: dict[str, list[FileCheck]] = {}
    for own in release.of_sets:
        other = next((one for one in other_editions(release) if one.own is own), None)
        for what, checks in _set_checks(own, other):
            found.setdefault(what, []).extend(checks)
    folders = [(one.folder, release.on(one.edition)) for one in release.manifest.made_sets]
    found["sets of download tables"] = [
        (f"{folder}/release.csv", partial(tables, own, folder)) for folder, own in folders
    ]
    found["packages"] = [
        (path, partial(package, own, name))
        for own in release.of_sets
        for path, name in packages(own)
    ]
    yield from found.items()


def _set_checks(
    release: FinishedRelease, other_edition: OtherEdition | None
) -> Iterator[tuple[str, Iterable[FileCheck]]]:
    """Return the checks of the files of download sets with the same tracks."""

    def each(
        check: Callable[[FinishedRelease, str, int], Iterator[Finding]],
        formats: Iterable[str],
    ) -> list[FileCheck]:
        return [
            (release.track_file(name, track), partial(check, release, name, index))
            for name in formats
            for index, track in enumerate(release.tracks)
        ]

    formats = list(release.report.formats)
    coded = [name for name in formats if facts_of(name).codec]
    plain = [name for name in formats if not facts_of(name).codec]
    yield "download files' tags", each(tags, formats)
    yield "encoded files' lengths and peaks", each(coded_length, coded)
    yield "lossless files' lengths", each(plain_length, plain)
    yield "download files' levels", _level_checks(download_tracks(release))
    yield "download files' sound", download_pairs(release, other_edition)


def _source_checks(
    release: FinishedRelease, sources: Path | None
) -> Iterator[tuple[str, Iterable[FileCheck]]]:
    folder = find_sources(release, sources)
    if folder is None and sources is not None:
        raise AssemblerError(f"{sources}: has none of the sources in the report")
    if folder is not None:
        pairs = [pair for one in release.editions for pair in source_pairs(one, folder)]
        yield "tracks with their sources", pairs


def _check_file(check: FileCheck) -> list[Finding]:
    """Return a check's findings; one if the file can't be read."""
    name, find = check
    findings: list[Finding] = []
    try:
        with reading(name):
            findings.extend(find())
    except UnreadableError as error:
        findings.append(mismatch("unreadable-file", error.name, error.reason))
    return findings
