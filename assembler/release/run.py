"""Run a planned build: from sources to a release folder that is put in place whole."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from pathlib import Path

from assembler.cancel import check_cancelled
from assembler.download.cover import read_cover
from assembler.errors import AssemblerError
from assembler.file_names import distinct_names, utf_8_name
from assembler.findings import Finding
from assembler.finished.release_folder import (
    MANIFEST,
    keep_other_rooms,
    put_in_place,
    read_checksums,
    release_files,
    write_checksums,
)
from assembler.finished.report_form import ReleaseReport
from assembler.manifest import ManifestFile
from assembler.mastering.levels import level_findings, match_findings, segue_findings
from assembler.mastering.plan import ROOMS, MasterSpec, Plan, Room
from assembler.metadata import TrackMetadata, track_metadata
from assembler.proof.content import Proof
from assembler.proof.mail import write_pictures
from assembler.proof.page import write_page
from assembler.release.approvals import approval_findings
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.build_report import BuildReport
from assembler.release.clips import clips, listening_copies
from assembler.release.discs import DiscFiles, disc_files
from assembler.release.download_formats import Covers, DownloadsMade
from assembler.release.downloads import Downloads
from assembler.release.inputs import Inputs
from assembler.release.last_release import keep_edits
from assembler.release.masters import Master, Masters, make_masters
from assembler.release.memory import reasons, remember
from assembler.release.progress import (
    ARCHIVE,
    CLIP_S,
    IMAGE,
    LEVELS,
    PAPER_S,
    PROOF_S,
    Tasks,
    sound_s,
)
from assembler.release.proofs import (
    ProofSound,
    gather_proof,
    listened_format,
    proof_sound,
    readings,
)
from assembler.release.report import release_report, with_kept_rooms, write_report
from assembler.release.side_clips import proof_side
from assembler.sheets.credits_sheet import write_credits_sheet
from assembler.sheets.label_copy import write_label_copy
from assembler.text import FRAMES_PER_SECOND
from assembler.typeset.barcode import write_barcode
from assembler.workers import result_of


@dataclass(frozen=True)
class Build:
    """One build: what its steps work with.

    Attributes
    ----------
    plan
        What to make.
    inputs
        The files that the release is made from.
    scratch
        Working folder; the release is assembled in its subfolder `folder`.
    cache
        Finished work.
    pool
        Work is done in parallel on it.
    tasks
        Reports each task.
    packages
        Make a zip file of each download format too.
    """

    plan: Plan
    inputs: Inputs
    scratch: Path
    cache: ArtifactCache
    pool: Executor
    tasks: Tasks
    packages: bool

    @property
    def folder(self) -> Path:
        """The release while it is made."""
        return self.scratch / "release"

    @property
    def source(self) -> ManifestFile:
        """The manifest."""
        return self.plan.report.source

    def run(self, target: Path) -> BuildReport:
        """Make the release, and put it in place of the last one."""
        self.folder.mkdir()
        metadata = track_metadata(self.source.manifest, self.plan.report.discs)
        masters = make_masters(self.plan, self.cache, self.pool, self.tasks, self.scratch)
        sound = proof_sound(self.plan, masters)
        discs = self._discs(masters)
        started: list[Future[None]] = []

        def start_discs_and_proof() -> None:
            started.extend([*self._start_discs(discs), *self._start_proof(sound)])

        downloads = self._make_downloads(masters, metadata, start_discs_and_proof)
        for work in started:
            result_of(work)
        for disc in discs:
            disc.write_texts()
        if "paper" in self.plan.rooms:
            self._make_paper(self.folder / "paper", metadata)
        reported = self._reported(masters)
        findings = (
            *self.plan.report.findings,
            *downloads.findings,
            *self._level_findings(reported),
        )
        proof = None
        if sound:
            proof = self._make_proof(sound, metadata, reported, findings)
            findings += tuple(approval_findings(self.source, proof.proof_of))
        formats = {name: made.report() for name, made in downloads.formats.items()}
        report = release_report(
            self.plan, {kind: master for kind, (_, master) in reported.items()}, formats, proof
        )
        return self._finish(target, findings, report)

    def _discs(self, masters: Masters) -> list[DiscFiles]:
        if not self.plan.disc:
            return []
        folder = self.folder / "disc"
        folder.mkdir()
        tracks = masters[self.plan.disc].tracks
        return disc_files(folder, self.plan, tracks, masters.hidden, self.cache)

    def _start_discs(self, discs: Sequence[DiscFiles]) -> list[Future[None]]:
        """Start writing the discs' sound, in parallel with the encoders."""
        work = [("archive", ARCHIVE, files.disc, files.write_archive) for files in discs]
        work += [("image", IMAGE, files.disc, files.write_image) for files in discs]
        return [
            self._start(
                f"disc {disc.number}: {what}", cost * disc.frames / FRAMES_PER_SECOND, write
            )
            for what, cost, disc, write in work
        ]

    def _start(self, what: str, cost_s: float, work: Callable[[], object]) -> Future[None]:
        """Run a task when a worker is free."""

        def run() -> None:
            with self.tasks.task(what, cost_s):
                work()

        return self.pool.submit(run)

    def _start_proof(self, sound: ProofSound | None) -> list[Future[None]]:
        """Start the proof's measurements and clips, in parallel with the encoders."""
        if sound is None:
            return []
        work = list(readings(self.plan, sound, self.cache))
        cost_s = LEVELS * sound_s(self.plan) / len(work)
        started = [self._start("levels over time", cost_s, read) for read in work]
        if self.plan.joins:
            folder = self.folder / "proof" / "joins"
            folder.mkdir(parents=True)
            writers = clips(folder, self.plan.report.discs, sound.master.tracks, self.cache)
            started += [self._start("clip of a join", CLIP_S, write) for write in writers]
        if listened_format(self.plan) is None:
            folder = self.folder / "proof" / "tracks"
            folder.mkdir(parents=True)
            writers = listening_copies(folder, sound.master.tracks, sound.bits, self.cache)
            started += [self._start("listening copy", CLIP_S, write) for write in writers]
        return started

    def _make_paper(self, folder: Path, metadata: Sequence[TrackMetadata]) -> None:
        manifest = self.source.manifest
        with self.tasks.task("credits sheet", PAPER_S):
            write_credits_sheet(folder, manifest, metadata)
            write_label_copy(folder, manifest, metadata)
            if manifest.release.barcode:
                write_barcode(manifest.release.barcode, folder)

    def _make_proof(
        self,
        sound: ProofSound,
        metadata: Sequence[TrackMetadata],
        reported: Mapping[str, tuple[MasterSpec, Master]],
        findings: Sequence[Finding],
    ) -> Proof:
        """Write the proof's page and pictures."""
        folder = self.folder / "proof"
        with self.tasks.task("proof", PROOF_S):
            sides = self.plan.report.sides
            names = distinct_names([side.name for side in sides])
            proof = gather_proof(
                self.plan,
                metadata,
                sound,
                {kind: master for kind, (_, master) in reported.items()},
                findings,
                self.cache,
                tuple(
                    proof_side(folder / "sides", side, name, self.cache)
                    for side, name in zip(sides, names, strict=True)
                ),
            )
            write_page(folder, proof)
            write_pictures(folder, proof, self.pool.map)
        return proof

    def _make_downloads(
        self,
        masters: Masters,
        metadata: Sequence[TrackMetadata],
        when_started: Callable[[], None],
    ) -> DownloadsMade:
        if not self.plan.downloads:
            when_started()
            return DownloadsMade({}, ())
        folder = self.folder / "download"
        folder.mkdir()
        downloads = Downloads(
            folder,
            self.plan,
            metadata,
            {name: masters[spec] for name, spec in self.plan.downloads.items()},
            self._covers(),
            self.pool,
            self.tasks,
            self.cache,
        )
        return downloads.run(when_started, packages=self.packages)

    def _covers(self) -> Covers:
        release = self.source.manifest.release
        names = (release.front_cover, release.back_cover)
        return Covers(*(read_cover(self.source.resolve(name)) if name else None for name in names))

    def _reported(self, masters: Masters) -> dict[str, tuple[MasterSpec, Master]]:
        """Return the masters whose levels are reported: the disc's, and a lossless format's."""
        specs = {"disc": self.plan.disc or self.plan.joins}
        if measured := self.plan.measured_format:
            specs["download"] = self.plan.downloads[measured]
        return {kind: (spec, masters[spec]) for kind, spec in specs.items() if spec}

    def _level_findings(
        self, reported: Mapping[str, tuple[MasterSpec, Master]]
    ) -> Iterator[Finding]:
        seen: set[tuple[str, int]] = set()
        for kind, (spec, master) in reported.items():
            pairs = list(zip(master.tracks, master.gains, strict=True))
            for finding in (
                *level_findings(self.source, kind, spec.level, pairs),
                *match_findings(self.source, kind, spec.level, pairs),
                *segue_findings(self.source, self.plan.passages, master.tracks),
            ):
                key = (finding.code, finding.line)
                if key not in seen:
                    seen.add(key)
                    yield finding

    def _finish(
        self, target: Path, findings: tuple[Finding, ...], report: ReleaseReport
    ) -> BuildReport:
        """Write report and checksums, and put the release in place."""
        self.inputs.refuse_changed()
        files = release_files(self.folder)
        reused = tuple(name for name in files if self.folder / name in self.cache.reused)
        kept = keep_other_rooms(target, self.folder, self.plan.rooms)
        rooms = [r for r in ROOMS if r in self.plan.rooms and (self.folder / r).is_dir()]
        report, stale = with_kept_rooms(report, rooms, kept, target)
        findings += tuple(self._kept_findings(kept, stale))
        report = self._write_report(report, findings)
        ingredients = {self._name(path): one for path, one in self.cache.ingredients.items()}
        why = reasons(self.cache.folder, target, ingredients, reused, self._same_as_in(target))
        edited, edit_findings = keep_edits(
            self.source, self.cache.last, self.folder, kept, self.pool.map
        )
        self.cache.unlink_last(edited)
        check_cancelled()  # for the last time: from here on the release is being replaced
        put_in_place(self.folder, target, self.scratch)
        result = BuildReport(
            target,
            tuple(replace(f, file=str(self.source.path)) for f in (*findings, *edit_findings)),
            made=tuple(name for name in files if name not in reused),
            reused=reused,
            report=report,
            reasons=why,
        )
        remember(self.cache.folder, self.inputs, result, ingredients, self.source.path)
        return result

    def _write_report(self, report: ReleaseReport, findings: Sequence[Finding]) -> ReleaseReport:
        """Write report, manifest and checksums; return the report with findings and files."""
        file = utf_8_name(self.source.path.name)
        in_report = [replace(finding, file=file) for finding in findings]
        report = report.model_copy(update={"findings": in_report})
        report = write_report(self.folder, report, self.cache.sha256)
        (self.folder / MANIFEST).write_text(self.source.text, encoding="utf-8", newline="\n")
        write_checksums(self.folder, self.cache.sha256)
        return report

    def _kept_findings(self, kept: Sequence[Room], stale: Sequence[Room]) -> Iterator[Finding]:
        if current := [room for room in kept if room not in stale]:
            message = f"{', '.join(current)}: kept from the last build, of the same manifest"
            yield self.source.finding("note", "kept-rooms", (), message)
        if stale:
            message = (
                f"{', '.join(stale)}: kept from an earlier build of another manifest or other "
                "sources, and out of date: build without --only before you send anything out"
            )
            yield self.source.finding("warning", "stale-room", (), message)

    def _name(self, path: Path) -> str:
        return path.relative_to(self.folder).as_posix()

    def _same_as_in(self, last: Path) -> dict[str, bool | None]:
        """Return whether each file has the same bytes in the last release; None for a new file."""
        try:
            before = read_checksums(last)
        except AssemblerError:
            before = {}
        now = read_checksums(self.folder)
        return {name: before[name] == now[name] if name in before else None for name in now}
