"""Run a planned build: from sources to a release folder that is put in place whole."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from assembler.cache.folder import cache_key
from assembler.cancel import check_cancelled
from assembler.disc.cue import disc_stem
from assembler.disc.md5 import file_md5
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
from assembler.mastering.render import FinishedTrack
from assembler.metadata import TrackMetadata, track_metadata
from assembler.proof.content import Proof
from assembler.proof.mail import write_pictures
from assembler.proof.page import write_page
from assembler.release.approvals import approval_findings
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.build_report import BuildReport
from assembler.release.inputs import Inputs
from assembler.release.last_release import keep_edits
from assembler.release.memory import reasons, remember
from assembler.release.plant import write_plant_files
from assembler.release.progress import ARCHIVE, CLIP_S, PAPER_S, PROOF_S, TaskProgress
from assembler.release.report import release_report, with_kept_rooms, write_report
from assembler.release.tasks.clips import Clip, clips, write_copy
from assembler.release.tasks.discs import DiscFiles
from assembler.release.tasks.download_formats import Covers, DownloadsMade
from assembler.release.tasks.downloads import Downloads
from assembler.release.tasks.graph import Scheduler, Task
from assembler.release.tasks.images import Image
from assembler.release.tasks.masters import ImageTasks, Master, Mastering, MasterTasks
from assembler.release.tasks.proofs import (
    ProofSound,
    gather_proof,
    listened_format,
    proof_spec,
    reading_tasks,
)
from assembler.release.tasks.side_clips import proof_side
from assembler.sheets.credits_sheet import write_credits_sheet
from assembler.sheets.label_copy import write_label_copy
from assembler.text import FRAMES_PER_SECOND
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
        return self._finish(target, *Scheduler(self.pool, self.progress).run(self.task()))

    def task(self) -> Task[tuple[tuple[Finding, ...], ReleaseReport]]:
        """Return the task that stands for the whole release: its findings and its report."""
        scheduler = Scheduler(self.pool, self.progress)
        metadata = track_metadata(self.source.manifest, self.plan.report.discs)
        mastering = Mastering(self.plan, self.cache, scheduler, self.scratch, self._images())
        masters, discs = mastering.tasks()
        reported = self._reported_specs()
        files: list[Task[Any]] = [
            *self._disc_tasks(masters, discs),
            *self._proof_tasks(masters, discs),
        ]
        if "paper" in self.plan.rooms:
            files.append(Task("credits sheet", partial(self._make_paper, metadata), (), PAPER_S))
        downloads = self._downloads_task(masters, metadata, scheduler)
        spec = proof_spec(self.plan)
        shown = masters[spec[0]].whole if spec else _nothing
        hidden = discs.hidden or _nothing

        def finish(
            made: DownloadsMade,
            sound: Master | None,
            hidden_sound: FinishedTrack | None,
            *rest: Any,
        ) -> tuple[tuple[Finding, ...], ReleaseReport]:
            of_kind = dict(zip(reported, rest, strict=False))
            findings = (
                *self.plan.report.findings,
                *made.findings,
                *self._level_findings(reported, of_kind),
            )
            proof = None
            if sound and spec:
                proof_sound = ProofSound(sound, spec[1], hidden_sound, _target(spec[0]))
                proof = self._make_proof(proof_sound, metadata, of_kind, findings, scheduler)
                findings += tuple(approval_findings(self.source, proof.proof_of))
            formats = {name: one.report() for name, one in made.formats.items()}
            return findings, release_report(self.plan, of_kind, formats, proof)

        of_masters = [masters[one].whole for one in reported.values()]
        inputs = (downloads, shown, hidden, *of_masters, *files)
        return Task("proof", finish, inputs, PROOF_S if spec else 0.0)

    def _images(self) -> tuple[Image, ...]:
        """Return the discs' images; where only the proof needs one, it is not in the release."""
        if not (self.plan.disc or self.plan.joins):
            return ()
        folder = self.folder / "disc" if self.plan.disc else self.scratch / "images"
        folder.mkdir()
        discs = self.plan.report.discs
        return tuple(
            Image(
                disc,
                folder / f"{disc_stem(self.plan.name, disc.number, len(discs))}.wav",
                self.plan.disc is not None,
                self.cache,
            )
            for disc in discs
        )

    def _disc_tasks(
        self, masters: Mapping[MasterSpec, MasterTasks], discs: ImageTasks
    ) -> list[Task[Any]]:
        """Return the tasks of each disc's files; its texts follow image and archive."""
        found: list[Task[Any]] = []
        if self.plan.disc is None:
            return found
        tasks = masters[self.plan.disc]
        for disc in self.plan.report.discs:
            own = [tasks.passages[passage] for passage in disc.passages]
            first = [discs.hidden] if discs.hidden and disc.hidden else []

            def archive(image: Image, *sound: Any) -> DiscFiles:
                files = self._disc_files(image)
                hidden = sound[: len(sound) - len(image.disc.passages)]
                tracks = [track for passage in sound[len(hidden) :] for track in passage]
                files.write_archive([*hidden, *tracks])
                if "bin" in self.source.manifest.disc.forms:
                    files.write_bin([*hidden, *tracks])
                return files

            cost_s = ARCHIVE * disc.frames / FRAMES_PER_SECOND
            image = discs.images[disc.number]
            name = f"disc {disc.number}"
            archived = Task(f"{name}: archive", archive, (image, *first, *own), cost_s)
            found.append(Task(f"{name}: texts", DiscFiles.write_texts, (archived,)))
        return [Task("files for the plant", self._make_plant_files, tuple(found))]

    def _make_plant_files(self, *_: None) -> None:
        """Write the letter to the plant, and the checksums of the discs' folder."""
        folder, discs = self.folder / "disc", self.plan.report.discs
        stems = [disc_stem(self.plan.name, disc.number, len(discs)) for disc in discs]

        def checksums(path: Path) -> tuple[str, str]:
            sha256 = self.cache.sha256(path)
            key = cache_key("MD5", sha256)
            return self.cache.folder.json(key, lambda: file_md5(path)), sha256

        write_plant_files(folder, self.source.manifest, discs, stems, checksums)

    def _disc_files(self, image: Image) -> DiscFiles:
        of_discs = len(self.plan.report.discs)
        return DiscFiles(image, self.plan.name, self.source.manifest, of_discs, self.cache)

    def _proof_tasks(
        self, masters: Mapping[MasterSpec, MasterTasks], discs: ImageTasks
    ) -> list[Task[Any]]:
        """Return the tasks of the proof's measurements, clips and listening copies."""
        spec = proof_spec(self.plan)
        if spec is None:
            return []
        tasks, bits = masters[spec[0]], spec[1]
        found = reading_tasks(self.plan, tasks, discs, bits, self.cache)
        if self.plan.joins:
            folder = self.folder / "proof" / "joins"
            folder.mkdir(parents=True)
            found += [
                self._clip_task(clip, tasks) for clip in clips(folder, self.plan.report.discs)
            ]
        if listened_format(self.plan) is None:
            folder = self.folder / "proof" / "tracks"
            folder.mkdir(parents=True)
            for section in self.plan.report.sections:

                def copy(master: Master, index: int = section.index) -> Path:
                    return write_copy(folder, index + 1, master.tracks[index], bits, self.cache)

                name = f"listening copy: {section.track.full_title}"
                found.append(Task(name, copy, (tasks.whole,), CLIP_S))
        return found

    def _clip_task(self, clip: Clip, tasks: MasterTasks) -> Task[Path]:
        """Return the task of a join's clip, which is cut from the passages of its two tracks."""
        passages = dict.fromkeys(
            passage
            for passage in self.plan.passages
            if {place.index for place in passage.places} & set(clip.indices)
        )

        def write(*found: list[FinishedTrack]) -> Path:
            by_index = {track.section.index: track for tracks in found for track in tracks}
            return clip.write([by_index[index] for index in clip.indices], self.cache)

        own = tuple(tasks.passages[passage] for passage in passages)
        return Task(f"clip of a join: {clip.path.stem}", write, own, CLIP_S)

    def _make_paper(self, metadata: Sequence[TrackMetadata]) -> None:
        folder, manifest = self.folder / "paper", self.source.manifest
        write_credits_sheet(folder, manifest, metadata)
        write_label_copy(folder, manifest, metadata)
        if manifest.release.barcode:
            write_barcode(manifest.release.barcode, folder)

    def _make_proof(
        self,
        sound: ProofSound,
        metadata: Sequence[TrackMetadata],
        masters: Mapping[str, Master],
        findings: Sequence[Finding],
        scheduler: Scheduler,
    ) -> Proof:
        """Write the proof's page and pictures."""
        folder = self.folder / "proof"
        sides = self.plan.report.sides
        names = distinct_names([side.name for side in sides])
        proof = gather_proof(
            self.plan,
            metadata,
            sound,
            masters,
            findings,
            self.cache,
            tuple(
                proof_side(folder / "sides", side, name, self.cache)
                for side, name in zip(sides, names, strict=True)
            ),
        )
        write_page(folder, proof)
        write_pictures(folder, proof, scheduler.map)
        return proof

    def _downloads_task(
        self,
        masters: Mapping[MasterSpec, MasterTasks],
        metadata: Sequence[TrackMetadata],
        scheduler: Scheduler,
    ) -> Task[DownloadsMade]:
        if not self.plan.downloads:
            return Task("no downloads", lambda: DownloadsMade({}, ()))
        folder = self.folder / "download"
        for name in self.plan.downloads:
            (folder / name).mkdir(parents=True)
        return Downloads(
            folder,
            self.plan,
            metadata,
            {name: masters[spec] for name, spec in self.plan.downloads.items()},
            self._covers(),
            scheduler,
            self.cache,
            self.packages,
        ).task()

    def _covers(self) -> Covers:
        release = self.source.manifest.release
        names = (release.front_cover, release.back_cover)
        return Covers(*(read_cover(self.source.resolve(name)) if name else None for name in names))

    def _reported_specs(self) -> dict[str, MasterSpec]:
        """Return the masters whose levels are reported: the disc's, and a lossless format's."""
        specs = {"disc": self.plan.disc or self.plan.joins}
        if measured := self.plan.measured_format:
            specs["download"] = self.plan.downloads[measured]
        return {kind: spec for kind, spec in specs.items() if spec}

    def _level_findings(
        self, specs: Mapping[str, MasterSpec], masters: Mapping[str, Master]
    ) -> Iterator[Finding]:
        seen: set[tuple[str, int]] = set()
        for kind, spec in specs.items():
            master = masters[kind]
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
