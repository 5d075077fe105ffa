"""Run a planned build: from sources to a release folder that is put in place whole."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from assembler.cancel import check_cancelled
from assembler.download.cover import read_cover
from assembler.download.formats import facts_of
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
from assembler.manifest import Level, ManifestFile
from assembler.manifest.editions import played_text
from assembler.manifest.sets import set_of
from assembler.mastering.levels import (
    TrackLevel,
    level_findings,
    limiter_findings,
    match_findings,
    segue_findings,
)
from assembler.mastering.plan import ROOMS, MasterSpec, Plan, Room
from assembler.mastering.render import FinishedTrack
from assembler.metadata import TrackMetadata, printed_tracks, track_metadata
from assembler.preflight.editions import orders_in
from assembler.proof.approval import ApprovedSound
from assembler.proof.content import Heard, Proof
from assembler.proof.mail import write_pictures
from assembler.proof.mailed import ALL, MAIL_CODE, NAME, MailAudio
from assembler.proof.page import write_page
from assembler.release.approvals import approval_findings
from assembler.release.approved_sound import approved_sound, moved_findings
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.build_report import BuildReport
from assembler.release.changes import NowHeard, changes_since
from assembler.release.inputs import Inputs
from assembler.release.kept_rooms import with_kept_rooms
from assembler.release.last_release import keep_edits
from assembler.release.memory import reasons, remember
from assembler.release.progress import PAPER_S, PROOF_S, TaskProgress
from assembler.release.report import release_report, write_report
from assembler.release.tasks.clips import clips
from assembler.release.tasks.discs import disc_tasks
from assembler.release.tasks.download_formats import Covers, DownloadsMade
from assembler.release.tasks.downloads import Downloads
from assembler.release.tasks.graph import Scheduler, Task
from assembler.release.tasks.images import images_of
from assembler.release.tasks.listening import listening_tasks
from assembler.release.tasks.mailed_proof import MailedProof
from assembler.release.tasks.masters import Master, Mastering, MasterTasks
from assembler.release.tasks.proofs import (
    ProofSound,
    gather_proof,
    listened_format,
    proof_spec,
)
from assembler.release.tasks.side_clips import proof_side
from assembler.release.track_report import first_samples_of
from assembler.sheets.credits_sheet import write_credits_sheet
from assembler.sheets.label_copy import write_label_copy
from assembler.sleeve.templates import write_templates
from assembler.typeset.barcode import write_barcode

_nothing: Task[None] = Task("nothing", lambda: None)


def _target(spec: MasterSpec) -> float | None:
    """Return the loudness that a master is matched to; None without a match."""
    return None if spec.level.match == "none" else spec.level.target


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
    progress
        Reports each task.
    packages
        Make a zip file of each download format too.
    """

    plan: Plan
    inputs: Inputs
    scratch: Path
    cache: ArtifactCache
    pool: Executor
    progress: TaskProgress
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
        scheduler = Scheduler(self.pool, self.progress)
        findings, report = scheduler.run(self.task(scheduler))
        return self._finish(target, findings, report, sorted(scheduler.worked))

    def task(self, scheduler: Scheduler) -> Task[tuple[tuple[Finding, ...], ReleaseReport]]:
        """Return the task that stands for the whole release: its findings and its report."""
        report = self.plan.report
        printed = printed_tracks(self.source.manifest, orders_in(report.editions))
        images = images_of(self.plan, self.folder, self.scratch, self.cache)
        mastering = Mastering(self.plan, self.cache, scheduler, self.scratch, images)
        masters, discs = mastering.tasks()
        reported = self._reported_specs()
        files: list[Task[Any]] = [
            *disc_tasks(self.plan, masters, discs, self.folder / "disc", self.cache),
            *listening_tasks(self.plan, masters, discs, self.folder / "proof", self.cache),
        ]
        if "paper" in self.plan.rooms:
            files.append(Task("credits sheet", partial(self._make_paper, printed), (), PAPER_S))
        downloads = self._downloads_task(masters, scheduler)
        spec = proof_spec(self.plan)
        shown = masters[spec[0]].whole if spec else _nothing
        hidden = discs.hidden or _nothing

        def finish(
            made: DownloadsMade,
            sound: Master | None,
            hidden_sound: FinishedTrack | None,
            *rest: Any,
        ) -> tuple[tuple[Finding, ...], ReleaseReport]:
            of_spec: dict[MasterSpec, Master] = dict(zip(masters, rest, strict=False))
            of_kind = {kind: of_spec[one] for kind, one in reported.items()}
            findings = (
                *report.findings,
                *made.findings,
                *self._level_findings(reported, of_kind),
                *moved_findings(self.plan, of_kind),
            )
            proof = to_approve = audio = None
            if sound and spec:
                to_approve = approved_sound(self.plan, of_spec, sound)
                others = tuple(self._others(of_spec))
                proof_sound = ProofSound(sound, spec[1], hidden_sound, _target(spec[0]), others)
                proof = self._make_proof(
                    proof_sound, printed, of_kind, findings, to_approve, scheduler
                )
                findings += tuple(approval_findings(self.source, proof.proof_of))
                if self.packages:
                    audio = self._mail(proof, proof_sound, scheduler)
                    findings += () if audio else (self._too_big_to_mail(),)
            formats = {name: one.report() for name, one in made.formats.items()}
            return findings, release_report(self.plan, of_kind, formats, proof, to_approve, audio)

        inputs = (downloads, shown, hidden, *(one.whole for one in masters.values()), *files)
        return Task("proof", finish, inputs, PROOF_S if spec else 0.0)

    def _others(self, masters: Mapping[MasterSpec, Master]) -> Iterator[tuple[FinishedTrack, int]]:
        """Yield the tracks that the proof's master lacks, each with its bit depth."""
        for index, name in self.plan.others.items():
            spec = self.plan.downloads[name]
            yield masters[spec].tracks[spec.tracks.index(index)], facts_of(name).bits

    def _make_paper(self, metadata: Sequence[TrackMetadata]) -> None:
        folder, manifest = self.folder / "paper", self.source.manifest
        write_credits_sheet(folder, manifest, metadata)
        write_label_copy(folder, manifest, metadata)
        if manifest.release.barcode:
            write_barcode(manifest.release.barcode, folder)
        logos = manifest.sleeve.logos if manifest.sleeve else ()
        write_templates(folder, manifest, metadata, [self.source.resolve(n) for n in logos])

    def _make_proof(
        self,
        sound: ProofSound,
        printed: Sequence[TrackMetadata],
        masters: Mapping[str, Master],
        findings: Sequence[Finding],
        to_approve: ApprovedSound,
        scheduler: Scheduler,
    ) -> Proof:
        """Write the proof's page and pictures."""
        folder = self.folder / "proof"
        sides = self.plan.report.sides
        names = distinct_names([side.name for side in sides])
        edition = self.plan.report.primary
        proof = gather_proof(
            self.plan,
            track_metadata(edition.manifest, edition.discs),
            printed,
            sound,
            masters,
            findings,
            to_approve,
            self.cache,
            tuple(
                proof_side(folder / "sides", side, name, self.cache)
                for side, name in zip(sides, names, strict=True)
            ),
        )
        files = [self.folder / (track.listen or "") for track in proof.tracks]
        played, shown = listened_format(self.plan), (*edition.tracks, *self.plan.others)
        now = NowHeard(
            to_approve,
            sound.master.tracks,
            sound.bits,
            self.source.manifest.disc.dither,
            tuple(first_samples_of(self.plan, edition).values()),
            proof.proof_of,
        )
        proof = replace(
            proof,
            heard=Heard(
                played or "MP3 at 192 kbit/s",
                tuple(map(self.cache.sha256, files)),
                played_text(self.source.manifest, played and set_of(played), shown),
            ),
            changes=tuple(changes_since(self.source.path, now, self.cache)),
        )
        write_page(folder, proof)
        write_pictures(folder, proof, scheduler.map)
        return proof

    def _mail(self, proof: Proof, sound: ProofSound, scheduler: Scheduler) -> MailAudio | None:
        """Write the proof as one file for a mail; return how its audio is encoded."""
        folder = self.folder / "proof"
        joins = clips(folder / "joins", self.plan.report.primary.discs) if self.plan.joins else ()
        mailed = MailedProof(
            folder,
            proof,
            sound.tracks,
            tuple(joins),
            self.source.manifest.proof.zip_limit,
            self.cache,
        )
        return mailed.write(scheduler.map)

    def _too_big_to_mail(self) -> Finding:
        limit_mb = self.source.manifest.proof.zip_limit
        message = (
            f"no {NAME}: it would be larger than {limit_mb:g} MB even with {ALL[-1].text}: raise "
            "`proof.zip_limit`, or send the whole release"
        )
        return self.source.finding("warning", MAIL_CODE, ("proof", "zip_limit"), message)

    def _downloads_task(
        self,
        masters: Mapping[MasterSpec, MasterTasks],
        scheduler: Scheduler,
    ) -> Task[DownloadsMade]:
        folder = self.folder / "download"
        for name in self.plan.downloads:
            (folder / name).mkdir(parents=True)
        covers = self._covers() if self.plan.downloads else Covers(None, None)
        tasks = [
            Downloads(
                folder,
                self.source,
                edition,
                one,
                track_metadata(edition.manifest, edition.discs),
                {name: masters[self.plan.downloads[name]] for name in one.folders},
                covers,
                scheduler,
                self.cache,
                self.packages,
            ).task()
            for one in self.source.manifest.made_sets
            if self.plan.downloads
            for edition in [self.plan.report.editions[one.edition]]
        ]

        def all_sets(*made: DownloadsMade) -> DownloadsMade:
            formats = {name: one for of_set in made for name, one in of_set.formats.items()}
            return DownloadsMade(formats, tuple(f for of_set in made for f in of_set.findings))

        return tasks[0] if len(tasks) == 1 else Task("all downloads", all_sets, tuple(tasks))

    def _covers(self) -> Covers:
        release = self.source.manifest.release
        names = (release.front_cover, release.back_cover)
        return Covers(*(read_cover(self.source.resolve(name)) if name else None for name in names))

    def _reported_specs(self) -> dict[str, MasterSpec]:
        """Return the masters whose levels are reported: the disc's, and a lossless format's."""
        specs = {"disc": self.plan.disc or self.plan.joins}
        measured = self.plan.measured.items()
        specs |= {edition: self.plan.downloads[name] for edition, name in measured}
        return {kind: spec for kind, spec in specs.items() if spec}

    def _level_findings(
        self, specs: Mapping[str, MasterSpec], masters: Mapping[str, Master]
    ) -> Iterator[Finding]:
        named = self.source.manifest.download[0].name is not None
        seen: set[tuple[str, int, Level | None]] = set()
        for kind, spec in specs.items():
            master = masters[kind]
            pairs = list(zip(master.tracks, master.gains, strict=True))
            for finding in (
                *level_findings(self.source, kind, spec.level, pairs),
                *match_findings(self.source, kind, spec.level, pairs),
                *self._unexpected(kind, spec.level, pairs),
                *segue_findings(self.source, self.plan.edition(spec).passages, master.tracks),
            ):
                key = (finding.code, finding.line, spec.level if named else None)
                if key not in seen:
                    seen.add(key)
                    yield finding

    def _unexpected(
        self, kind: str, level: Level, pairs: Sequence[TrackLevel]
    ) -> Iterator[Finding]:
        if kind in {one.name for one in self.source.manifest.download}:
            yield from limiter_findings(self.source, kind, level, pairs)

    def _finish(
        self,
        target: Path,
        findings: tuple[Finding, ...],
        report: ReleaseReport,
        worked: Sequence[str],
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
        self.cache.remake_linked(edited)
        check_cancelled()  # for the last time: from here on the release is being replaced
        put_in_place(self.folder, target, self.scratch)
        result = BuildReport(
            target,
            tuple(replace(f, file=str(self.source.path)) for f in (*findings, *edit_findings)),
            made=tuple(name for name in files if name not in reused),
            reused=reused,
            report=report,
            reasons=why,
            tasks=tuple(worked),
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
