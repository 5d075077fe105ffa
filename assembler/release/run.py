"""Build a release: from a checked manifest to a folder that is finished or not there at all."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from assembler.download.cover import read_cover
from assembler.download.formats import FACTS
from assembler.errors import FindingsError, SourceError
from assembler.findings import Finding, Loc
from assembler.manifest import Level, ManifestFile
from assembler.manifest.model import Format
from assembler.paper.barcode import write_barcode
from assembler.paper.credits_sheet import write_credits_sheet
from assembler.paper.label_copy import write_label_copy
from assembler.proof.mail import write_pictures
from assembler.proof.page import write_page
from assembler.release.approvals import approval_findings
from assembler.release.check import CheckReport, check
from assembler.release.clips import make_clips
from assembler.release.discs import make_disc
from assembler.release.downloads import Covers, Downloads, FormatMade, formats_json
from assembler.release.levels import level_findings, segue_findings
from assembler.release.mastering import Mastered
from assembler.release.matching import Matched
from assembler.release.plan import DISC_BITS, ROOMS, Mastering, Plan, plan_release, release_name
from assembler.release.prepared import Prepared, prepare
from assembler.release.proofs import Sound, gather_proof
from assembler.release.release_folder import (
    MANIFEST,
    REPORT,
    assembling,
    keep_other_rooms,
    put_in_place,
    refuse_foreign,
    release_files,
    write_checksums,
)
from assembler.release.report import BuildReport, Result, report_content, told_formats
from assembler.release.reuse import Reuse
from assembler.release.store import open_store
from assembler.sequence import DiscOrder
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.words import track_words

Progress = Callable[[str, int, int], None]
"""Told of each step: what it is, steps done, steps in all."""


def no_progress(_step: str, _done: int, _of: int) -> None:
    """Tell nobody."""


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
        Is told of each step.

    Raises
    ------
    FindingsError
        The manifest or its sources have errors; nothing was written.
    AssemblerError
        The work could not be finished; the last release is as it was.
    """
    first_look = check(source)
    if not first_look.ok:
        raise FindingsError(first_look.findings)
    out = out or source.path.parent / "releases"
    target = out / release_name(first_look)
    refuse_foreign(target)
    with assembling(target) as work, ThreadPoolExecutor(jobs or os.cpu_count()) as pool:
        try:
            report = _exact(first_look, work)
            plan = plan_release(report, only)
            build_run = _Build(plan, work, pool, progress, packages=packages)
            return build_run.run(target)
        except SourceError as error:
            loc: Loc = ("tracks",) if error.index is None else ("tracks", error.index, "audio")
            finding = source.finding("error", error.code, loc, str(error))
            raise FindingsError([finding]) from error
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _exact(report: CheckReport, work: Path) -> CheckReport:
    """Check again with decoded copies, where a source's header only promises a length."""
    files = (file for section in report.sections for file in section.recording.files)
    if not any(file.needs_ffmpeg for file in files):
        return report
    exact = check(report.source, scratch=work)
    if not exact.ok:
        raise FindingsError(exact.findings)
    return exact


class _Build:
    """One build's work, step by step."""

    def __init__(
        self, plan: Plan, work: Path, pool: Executor, progress: Progress, *, packages: bool
    ) -> None:
        self.plan = plan
        self.source = plan.report.source
        self.scratch = work
        self.folder = work / "release"
        self.folder.mkdir()
        self.pool = pool
        self.progress = progress
        self.words = track_words(self.source.manifest, plan.report.discs)
        self.packages = packages
        self.reuse = Reuse(open_store(work))
        self.formats: dict[Format, FormatMade] = {}
        self.hidden: Mastered | None = None
        self.proof_of: str | None = None
        self.matched: dict[Level, list[Matched]] = {}
        self.done = 0
        self.steps = (
            sum(3 * len(plan.passages) for _ in plan.widths)
            + len(plan.downloads) * len(self.words)
            + 4
        )

    def run(self, target: Path) -> BuildReport:
        results = {mastering: self._master(mastering) for mastering in self.plan.widths}
        if image := self.plan.disc or self.plan.joins:
            self.hidden = self._master_hidden(results[image], image.level)
        discs = self._start_discs(results[self.plan.disc]) if self.plan.disc else []
        of_downloads = self._make_downloads(results)
        for disc in discs:
            disc.result()
        if self.plan.joins:
            self._make_joins(results[self.plan.joins])
        if "paper" in self.plan.rooms:
            self._make_paper(self.folder / "paper")
        of_levels = self._level_findings(results)
        findings = (*self.plan.report.findings, *of_downloads, *of_levels)
        if "proof" in self.plan.rooms:
            findings += tuple(self._make_proof(results, findings))
        return self._finish(target, findings, results)

    def _step(self, what: str) -> None:
        self.done = min(self.done + 1, self.steps)
        self.progress(what, self.done, self.steps)

    def _read_covers(self) -> Covers:
        release = self.source.manifest.release
        names = (release.front_cover, release.back_cover)
        return Covers(*(read_cover(self.source.resolve(name)) if name else None for name in names))

    def _master(self, mastering: Mastering) -> Result:
        widths = self.plan.widths[mastering]
        number = list(self.plan.widths).index(mastering)

        def prepare_one(index: int) -> Prepared:
            passage, rate_hz = self.plan.passages[index], mastering.rates_hz[index]
            file = self.scratch / f"prepared-{number}-{index}.f32"
            return prepare(passage, self.plan.sections_of(passage), rate_hz, file)

        def master_one(pair: tuple[Matched, str]) -> list[Mastered]:
            tracks = self.reuse.mastered(
                *pair, mastering.level.ceiling, widths, self.source.manifest.disc.dither
            )
            self._step("limit and finish")
            return tracks

        passages = [prepare_one(index) for index in range(len(self.plan.passages))]
        keys = list(self.pool.map(self.reuse.prepared_key, passages))
        for _ in passages:
            self._step("read sources")
        guess = self.matched.get(mastering.level)
        matched = self.reuse.matched(passages, keys, mastering.level, guess, self.pool.map)
        self.matched[mastering.level] = matched
        for _ in passages:
            self._step("match")
        mastered = list(self.pool.map(master_one, zip(matched, keys, strict=True)))
        return Result(
            tuple(track for tracks in mastered for track in tracks),
            tuple(asked for one in matched for asked in one.asked_lufs),
        )

    def _make_paper(self, folder: Path) -> None:
        manifest = self.source.manifest
        write_credits_sheet(folder, manifest, self.words)
        write_label_copy(folder, manifest, self.words)
        if manifest.release.barcode:
            write_barcode(manifest.release.barcode, folder)
        self._step("credits sheet")

    def _start_discs(self, result: Result) -> list[Future[None]]:
        """Begin to write the discs' files, which goes on beside the encoders."""
        folder = self.folder / "disc"
        folder.mkdir()
        discs, hidden = self.plan.report.discs, self.hidden

        def make(disc: DiscOrder) -> None:
            tracks = [result.tracks[place.index] for place in disc.places]
            sound = [hidden, *tracks] if hidden and disc.hidden else tracks
            manifest, name = self.source.manifest, self.plan.name
            make_disc(folder, name, manifest, disc, len(discs), sound, self.reuse)
            self._step("disc image, cue sheet, PQ sheet")

        return [self.pool.submit(make, disc) for disc in discs]

    def _master_hidden(self, result: Result, level: Level) -> Mastered | None:
        """Master the sound before track 1: at the album's gain, or matched like a track."""
        hidden, passage = self.plan.report.hidden, self.plan.report.discs[0].hidden
        if hidden is None or passage is None:
            return None
        prepared = prepare(passage, (hidden,), DISC_RATE_HZ, self.scratch / "hidden.f32")
        key = self.reuse.prepared_key(prepared)
        first = result.tracks[0]
        matched = Matched(prepared, (first.gain_db - first.section.track.trim,), (None,))
        if level.match == "track":
            (matched,) = self.reuse.matched([prepared], [key], level, None, map)
        dither = self.source.manifest.disc.dither
        (mastered,) = self.reuse.mastered(matched, key, level.ceiling, (DISC_BITS,), dither)
        return mastered

    def _make_joins(self, result: Result) -> None:
        folder = self.folder / "proof" / "joins"
        folder.mkdir(parents=True)
        make_clips(folder, self.plan.report.discs, result.tracks, self.reuse)
        self._step("clips of the joins")

    def _make_proof(
        self, results: dict[Mastering, Result], findings: tuple[Finding, ...]
    ) -> Iterator[Finding]:
        """Write the proof's page and pictures; tell whether it is what the artist approved."""
        mastering, bits = self.plan.joins, DISC_BITS
        if mastering is None and self.plan.measured_format:
            mastering = self.plan.downloads[self.plan.measured_format]
            bits = FACTS[self.plan.measured_format].bits
        if mastering is None:
            return
        level = mastering.level
        target = None if level.match == "none" else level.target
        sound = Sound(results[mastering], bits, self.hidden, target)
        told = {name: results[one] for name, one in self._told().items()} or {
            "disc": results[mastering]
        }
        proof = gather_proof(self.plan, self.words, sound, told, findings, self.pool, self.reuse)
        folder = self.folder / "proof"
        write_page(folder, proof)
        write_pictures(folder, proof)
        self._step("proof")
        self.proof_of = proof.proof_of
        yield from approval_findings(self.source, proof.proof_of)

    def _make_downloads(self, results: dict[Mastering, Result]) -> list[Finding]:
        if not self.plan.downloads:
            return []
        folder = self.folder / "download"
        folder.mkdir()
        masters = {name: results[mastering] for name, mastering in self.plan.downloads.items()}
        downloads = Downloads(
            folder,
            self.plan,
            self.words,
            masters,
            self._read_covers(),
            self.pool,
            self._step,
            self.reuse,
        )
        findings = downloads.run(packages=self.packages)
        self.formats = downloads.made
        return findings

    def _told(self) -> dict[str, Mastering]:
        """Masterings whose levels are told: the disc's, and that of the first lossless format."""
        told = {"disc": self.plan.disc} if self.plan.disc else {}
        if measured := self.plan.measured_format:
            told["download"] = self.plan.downloads[measured]
        return told

    def _level_findings(self, results: dict[Mastering, Result]) -> Iterator[Finding]:
        seen: set[tuple[str, int]] = set()
        for deliverable, mastering in self._told().items():
            result = results[mastering]
            pairs = list(zip(result.tracks, result.asked_lufs, strict=True))
            for finding in (
                *level_findings(self.source, deliverable, mastering.level, pairs),
                *segue_findings(self.source, self.plan.passages, result.tracks),
            ):
                key = (finding.code, finding.line)
                if key not in seen:
                    seen.add(key)
                    yield finding

    def _finish(
        self, target: Path, findings: tuple[Finding, ...], results: dict[Mastering, Result]
    ) -> BuildReport:
        self.reuse.refuse_changed_sources()
        files = release_files(self.folder)
        reused = tuple(name for name in files if self.folder / name in self.reuse.taken)
        made = tuple(name for name in files if name not in reused)
        kept_rooms = keep_other_rooms(target, self.folder, self.plan.rooms)
        if kept_rooms:
            message = f"{', '.join(kept_rooms)}: kept from the last build; build without --only"
            findings += (self.source.finding("note", "kept-rooms", (), message),)
        findings = tuple(replace(f, file=self.source.path.name) for f in findings)
        told = {name: results[mastering] for name, mastering in self._told().items()}
        formats = dict(formats_json(self.formats))
        if "download" in kept_rooms:
            formats = told_formats(target)
        content = report_content(self.plan, findings, told, formats)
        content["proof_of"] = self.proof_of
        text = json.dumps(content, indent=2, ensure_ascii=False) + "\n"
        (self.folder / REPORT).write_text(text, encoding="utf-8", newline="\n")
        (self.folder / MANIFEST).write_text(self.source.text, encoding="utf-8", newline="\n")
        write_checksums(self.folder, self.reuse.digest)
        moved = put_in_place(self.folder, target, self.scratch)
        self._step("release put in place")
        if moved:
            message = f"files that were added to the last release were moved: {', '.join(moved)}"
            findings += (self.source.finding("warning", "added-files-kept", (), message),)
        shown = tuple(replace(f, file=str(self.source.path)) for f in findings)
        return BuildReport(target, shown, made, reused, content)
