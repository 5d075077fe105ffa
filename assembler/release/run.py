"""Run a build that is planned: from sources to a folder that is put in place whole."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path
from typing import Any

from assembler.cache.keys import Key
from assembler.cache.store import CacheFolder
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
from assembler.manifest import Level
from assembler.manifest.model import Format
from assembler.mastering.levels import level_findings, match_findings, segue_findings
from assembler.mastering.loudness_match import GainPlan, TrackGain
from assembler.mastering.passage import RenderedPassage, prepare
from assembler.mastering.plan import DISC_BITS, ROOMS, MasterSpec, Plan, Room
from assembler.mastering.render import FinishedTrack
from assembler.metadata import track_metadata
from assembler.proof.content import Proof
from assembler.proof.mail import write_pictures
from assembler.proof.page import write_page
from assembler.release.approvals import approval_findings
from assembler.release.build_report import BuildReport
from assembler.release.clips import clips, listening_copies
from assembler.release.discs import DiscFiles, disc_files
from assembler.release.downloads import Covers, Downloads, FormatMade, formats_json
from assembler.release.inputs import Inputs
from assembler.release.last_release import LastRelease, keep_edits
from assembler.release.memory import reasons, remember
from assembler.release.progress import (
    ARCHIVE,
    CLIPS_S,
    IMAGE,
    MASTER,
    PAPER_S,
    PROOF_S,
    READ,
    ROUND,
    Account,
    match_cost,
    readings_cost,
)
from assembler.release.proofs import Sound, gather_proof, listened_format, proof_sound, readings
from assembler.release.report import Result, keep_accounts, report_content, write_report
from assembler.release.reuse import ArtifactCache
from assembler.release.side_clips import proof_side
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sheets.credits_sheet import write_credits_sheet
from assembler.sheets.label_copy import write_label_copy
from assembler.typeset.barcode import write_barcode
from assembler.workers import result_of


class Build:
    """One build's work, step by step."""

    def __init__(
        self,
        plan: Plan,
        inputs: Inputs,
        work: Path,
        store: CacheFolder,
        last: LastRelease,
        pool: Executor,
        account: Account,
        *,
        packages: bool,
    ) -> None:
        self.plan = plan
        self.inputs = inputs
        self.source = plan.report.source
        self.scratch = work
        self.folder = work / "release"
        self.folder.mkdir()
        self.pool = pool
        self.account = account
        self.words = track_metadata(self.source.manifest, plan.report.discs)
        self.packages = packages
        self.reuse = ArtifactCache(store, last, plan.rooms)
        self.formats: dict[Format, FormatMade] = {}
        self.hidden: FinishedTrack | None = None
        self.discs: list[DiscFiles] = []
        self.proof: Proof | None = None
        self.matched: dict[Level, list[GainPlan]] = {}

    def run(self, target: Path) -> BuildReport:
        results = {mastering: self._master(mastering) for mastering in self.plan.widths}
        if image := self.plan.disc or self.plan.joins:
            self.hidden = self._master_hidden(results[image], image.level)
        sound = proof_sound(self.plan, results, self.hidden)
        begun: list[Future[None]] = []

        def begin_the_rest() -> None:
            begun.extend([*self._start_discs(results), *self._start_proof(sound)])

        of_downloads = self._make_downloads(results, begin_the_rest)
        for work in begun:
            result_of(work)
        for disc in self.discs:
            disc.write_texts()
        if "paper" in self.plan.rooms:
            self._make_paper(self.folder / "paper")
        of_levels = self._level_findings(results)
        findings = (*self.plan.report.findings, *of_downloads, *of_levels)
        if sound:
            findings += tuple(self._make_proof(sound, results, findings))
        return self._finish(target, findings, results)

    def _read_covers(self) -> Covers:
        release = self.source.manifest.release
        names = (release.front_cover, release.back_cover)
        return Covers(*(read_cover(self.source.resolve(name)) if name else None for name in names))

    def _master(self, mastering: MasterSpec) -> Result:
        widths = self.plan.widths[mastering]
        number = list(self.plan.widths).index(mastering)

        def prepare_one(index: int) -> RenderedPassage:
            passage, rate_hz = self.plan.passages[index], mastering.rates_hz[index]
            file = self.scratch / f"prepared-{number}-{index}.f32"
            return prepare(passage, self.plan.sections_of(passage), rate_hz, file)

        def master_one(pair: tuple[GainPlan, Key]) -> list[FinishedTrack]:
            prepared = pair[0].prepared
            cost_s = MASTER * len(widths) * prepared.length / DISC_RATE_HZ
            with self.account.step(f"master: {_title(prepared)}", cost_s):
                return self.reuse.mastered(
                    *pair, mastering.level.ceiling, widths, self.source.manifest.disc.dither
                )

        passages = [prepare_one(index) for index in range(len(self.plan.passages))]
        keys = [self.reuse.prepared_key(prepared) for prepared in passages]
        matched = self._match(passages, mastering.level)
        mastered = list(self.pool.map(master_one, zip(matched, keys, strict=True)))
        return Result(
            tuple(track for tracks in mastered for track in tracks),
            tuple(gain for one in matched for gain in one.tracks),
        )

    def _match(self, passages: Sequence[RenderedPassage], level: Level) -> list[GainPlan]:
        usual = match_cost(level.match)
        seconds = sum(prepared.length for prepared in passages) / DISC_RATE_HZ
        left_s = self.account.left_s - usual * seconds

        def run(
            work: Callable[..., Any], of: Iterable[RenderedPassage], *more: Iterable[Any]
        ) -> Any:
            def told(prepared: RenderedPassage, *rest: Any) -> Any:
                each = usual if level.match == "track" else READ
                if prepared.file.exists():
                    each = ROUND
                cost_s = each * prepared.length / DISC_RATE_HZ
                with self.account.step(f"match: {_title(prepared)}", cost_s):
                    return work(prepared, *rest)

            return self.pool.map(told, of, *more)

        guess = self.matched.get(level)
        matched = self.reuse.matched(passages, level, guess, run)
        self.matched[level] = matched
        self.account.settle(left_s)  # how many rounds it takes is not known beforehand
        return matched

    def _make_paper(self, folder: Path) -> None:
        manifest = self.source.manifest
        with self.account.step("credits sheet", PAPER_S):
            write_credits_sheet(folder, manifest, self.words)
            write_label_copy(folder, manifest, self.words)
            if manifest.release.barcode:
                write_barcode(manifest.release.barcode, folder)

    def _start_discs(self, results: dict[MasterSpec, Result]) -> list[Future[None]]:
        """Begin to write the discs' sound, which goes on beside the encoders."""
        if not self.plan.disc:
            return []
        folder, tracks = self.folder / "disc", results[self.plan.disc].tracks
        folder.mkdir()
        self.discs = disc_files(folder, self.plan, tracks, self.hidden, self.reuse)
        pieces = [("archive", ARCHIVE, one.disc, one.write_archive) for one in self.discs]
        pieces += [("image", IMAGE, one.disc, one.write_image) for one in self.discs]
        return [
            self._begin(f"disc {disc.number}: {what}", cost_s * disc.frames / 75, write)
            for what, cost_s, disc, write in pieces
        ]

    def _begin(self, what: str, cost_s: float, piece: Callable[[], object]) -> Future[None]:
        """Have a piece of work done, as a step, when a worker is free."""

        def do() -> None:
            with self.account.step(what, cost_s):
                piece()

        return self.pool.submit(do)

    def _master_hidden(self, result: Result, level: Level) -> FinishedTrack | None:
        """Master the sound before track 1: at the album's gain, or matched like a track."""
        hidden, passage = self.plan.report.hidden, self.plan.report.discs[0].hidden
        if hidden is None or passage is None:
            return None
        prepared = prepare(passage, (hidden,), DISC_RATE_HZ, self.scratch / "hidden.f32")
        key = self.reuse.prepared_key(prepared)
        first = result.tracks[0]
        gain = TrackGain(first.gain_db - first.section.track.trim, None)
        matched = GainPlan(prepared, (gain,))
        if level.match == "track":
            (matched,) = self.reuse.matched([prepared], level, None, map)
        dither = self.source.manifest.disc.dither
        (mastered,) = self.reuse.mastered(matched, key, level.ceiling, (DISC_BITS,), dither)
        return mastered

    def _start_proof(self, sound: Sound | None) -> list[Future[None]]:
        """Begin what a proof takes long for, which goes on beside the encoders."""
        if sound is None:
            return []
        read = list(readings(self.plan, sound, self.reuse))
        cost_s = readings_cost(self.plan) / len(read)
        begun = [self._begin("levels over time", cost_s, piece) for piece in read]
        if self.plan.joins:
            folder = self.folder / "proof" / "joins"
            folder.mkdir(parents=True)
            cut = clips(folder, self.plan.report.discs, sound.result.tracks, self.reuse)
            begun += [self._begin("clip of a join", CLIPS_S, piece) for piece in cut]
        if listened_format(self.plan) is None:
            folder = self.folder / "proof" / "tracks"
            folder.mkdir(parents=True)
            copies = listening_copies(folder, sound.result.tracks, sound.bits, self.reuse)
            begun += [self._begin("copy to listen to", CLIPS_S, piece) for piece in copies]
        return begun

    def _make_proof(
        self, sound: Sound, results: dict[MasterSpec, Result], findings: tuple[Finding, ...]
    ) -> Iterator[Finding]:
        """Write the proof's page and pictures; tell whether it is what the artist approved."""
        folder = self.folder / "proof"
        told = self._results_told(results)
        with self.account.step("proof", PROOF_S):
            of_sides = folder / "sides"
            named = distinct_names([side.name for side in self.plan.report.sides])
            sides = tuple(
                proof_side(of_sides, side, name, self.reuse)
                for side, name in zip(self.plan.report.sides, named, strict=True)
            )
            proof = gather_proof(self.plan, self.words, sound, told, findings, self.reuse, sides)
            write_page(folder, proof)
            write_pictures(folder, proof, self.pool.map)
        self.proof = proof
        yield from approval_findings(self.source, proof.proof_of)

    def _make_downloads(
        self, results: dict[MasterSpec, Result], when_begun: Callable[[], None]
    ) -> list[Finding]:
        if not self.plan.downloads:
            when_begun()
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
            self.account,
            self.reuse,
        )
        findings = downloads.run(when_begun, packages=self.packages)
        self.formats = downloads.made
        return findings

    def _told(self) -> dict[str, MasterSpec]:
        """Masterings whose levels are told: the disc's, and that of the first lossless format."""
        disc = self.plan.disc or self.plan.joins
        told = {"disc": disc} if disc else {}
        if measured := self.plan.measured_format:
            told["download"] = self.plan.downloads[measured]
        return told

    def _results_told(self, results: dict[MasterSpec, Result]) -> dict[str, Result]:
        return {name: results[mastering] for name, mastering in self._told().items()}

    def _level_findings(self, results: dict[MasterSpec, Result]) -> Iterator[Finding]:
        seen: set[tuple[str, int]] = set()
        for deliverable, mastering in self._told().items():
            result = results[mastering]
            pairs = list(zip(result.tracks, result.gains, strict=True))
            for finding in (
                *level_findings(self.source, deliverable, mastering.level, pairs),
                *match_findings(self.source, deliverable, mastering.level, pairs),
                *segue_findings(self.source, self.plan.passages, result.tracks),
            ):
                key = (finding.code, finding.line)
                if key not in seen:
                    seen.add(key)
                    yield finding

    def _finish(
        self, target: Path, findings: tuple[Finding, ...], results: dict[MasterSpec, Result]
    ) -> BuildReport:
        self.inputs.refuse_changed()
        files = release_files(self.folder)
        reused = tuple(name for name in files if self.folder / name in self.reuse.taken)
        made = tuple(name for name in files if name not in reused)
        kept_rooms = keep_other_rooms(target, self.folder, self.plan.rooms)
        told = self._results_told(results)
        formats = dict(formats_json(self.formats))
        content = report_content(self.plan, told, formats)
        content["proof_of"] = self.proof.proof_of if self.proof else None
        if self.proof:
            for track, of_proof in zip(content["tracks"], self.proof.tracks, strict=True):
                track["source"]["measured"] = of_proof.section.measured
        made_rooms = [r for r in ROOMS if r in self.plan.rooms and (self.folder / r).is_dir()]
        stale_rooms = keep_accounts(content, made_rooms, kept_rooms, target)
        findings += tuple(self._kept_findings(kept_rooms, stale_rooms))
        findings = tuple(replace(f, file=utf_8_name(self.source.path.name)) for f in findings)
        content["findings"] = [finding.as_json() for finding in findings]
        write_report(self.folder, content, self.reuse.digest)
        (self.folder / MANIFEST).write_text(self.source.text, encoding="utf-8", newline="\n")
        write_checksums(self.folder, self.reuse.digest)
        made_of = {self._name(path): parts for path, parts in self.reuse.made_of.items()}
        same = self._same_as_in(target)
        why = reasons(self.reuse.store, target, made_of, reused, same)
        edited, of_edits = keep_edits(
            self.source, self.reuse.last, self.folder, kept_rooms, self.pool.map
        )
        self.reuse.take_back(edited)
        findings += of_edits
        check_cancelled()  # for the last time: from here on the release is being replaced
        put_in_place(self.folder, target, self.scratch)
        shown = tuple(replace(f, file=str(self.source.path)) for f in findings)
        report = BuildReport(target, shown, made, reused, content, why)
        remember(self.reuse.store, self.inputs, report, made_of, self.source.path)
        return report

    def _kept_findings(self, kept: Sequence[Room], stale: Sequence[Room]) -> Iterator[Finding]:
        if fresh := [room for room in kept if room not in stale]:
            message = f"{', '.join(fresh)}: kept from the last build, of the same manifest"
            yield self.source.finding("note", "kept-rooms", (), message)
        if stale:
            message = (
                f"{', '.join(stale)}: kept from an earlier build, of another manifest or other "
                "sources, and out of date: build without --only before you send anything out"
            )
            yield self.source.finding("warning", "stale-room", (), message)

    def _name(self, path: Path) -> str:
        return path.relative_to(self.folder).as_posix()

    def _same_as_in(self, last: Path) -> dict[str, bool | None]:
        """Tell of each file whether the last release has it with the same bytes."""
        try:
            before = read_checksums(last)
        except AssemblerError:
            before = {}
        now = read_checksums(self.folder)
        return {name: before[name] == now[name] if name in before else None for name in now}


def _title(prepared: RenderedPassage) -> str:
    """Name a passage by its first track."""
    return prepared.sections[0].track.full_title
