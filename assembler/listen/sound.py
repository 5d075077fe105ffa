"""The sound that the page plays: the finished PCM of a build, or a preview until that is there.

What a build would make is made in the background by the same tasks, into the same cache, so a build
afterwards finds it. Until a track's gain is settled, a stretch of it is rendered at once with the
best gain that is known.
"""

from __future__ import annotations

import io
import shutil
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile

from assembler.cache.folder import CacheFolder
from assembler.cancel import Cancelled, CancelToken
from assembler.download.formats import facts_of
from assembler.dsp.blocks import Pcm
from assembler.dsp.limiter import LimiterSettings
from assembler.errors import AssemblerError, FindingsError, explained
from assembler.findings import Finding
from assembler.listen.stretches import preview
from assembler.mastering.limiting import limiter_of
from assembler.mastering.passage import RenderedPassage, prepare
from assembler.mastering.plan import DISC_BITS, MasterSpec, Plan, plan_release
from assembler.mastering.render import FinishedTrack
from assembler.preflight.check import CheckReport, check
from assembler.preflight.track_section import TrackSection
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.inputs import inputs_of
from assembler.release.last_release import LastRelease
from assembler.release.progress import TaskProgress, no_progress
from assembler.release.tasks.graph import Scheduler, Task
from assembler.release.tasks.masters import Mastering
from assembler.sequence import Passage
from assembler.workers import Share, worker_pool

Kind = Literal["track", "join"]
"""What is played: a track as its lossless file has it, or a join as the disc has it."""
MOST_S = 600.0
"""The longest stretch that is played."""
_JOBS = 2
_SETTLE_AFTER_S = 0.3
"""Edits that follow each other sooner are settled together."""


class NoSoundError(AssemblerError):
    """There is nothing to play."""


@dataclass(frozen=True)
class Stretch:
    """PCM to play.

    Attributes
    ----------
    pcm
        Shape (frames, 2), right-aligned in 32 bits.
    rate_hz, bits
        Sample rate and word length.
    exact
        It is the finished file's, sample for sample.
    """

    pcm: Pcm
    rate_hz: int
    bits: int
    exact: bool

    def wav(self) -> bytes:
        """Return it as a WAV file."""
        file = io.BytesIO()
        left = np.left_shift(self.pcm, 32 - self.bits)
        soundfile.write(file, left, self.rate_hz, f"PCM_{self.bits}", format="WAV")
        return file.getvalue()


@dataclass
class _Settled:
    """What is finished of one revision."""

    tracks: dict[tuple[Kind, int], FinishedTrack] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


def bits_and_spec(plan: Plan, kind: Kind) -> tuple[int, MasterSpec]:
    """Return the master that is played, and its word length.

    Raises
    ------
    NoSoundError
        The manifest asks for no sound.
    """
    disc = plan.disc or plan.joins
    if kind == "join" and disc:
        bits = max(plan.bit_depths[disc])
        return bits, disc
    if name := plan.measured_format:
        return facts_of(name).bits, plan.downloads[name]
    if disc:
        return DISC_BITS, disc
    raise NoSoundError("the manifest makes neither a disc nor downloads: there is nothing to play")


class Sound:
    """Plays the current revision, and settles it in the background.

    Parameters
    ----------
    cache
        The user's cache.
    scratch
        Folder for unfinished work.
    changed
        Called from the background when something was finished.
    """

    def __init__(self, cache: CacheFolder, scratch: Path, changed: Callable[[], None]) -> None:
        self._cache = cache
        self._scratch = scratch
        self._changed = changed
        self._lock = threading.Lock()
        self._pool = worker_pool(_JOBS)
        self._token = CancelToken()
        self._superseded = threading.Event()
        self._thread: threading.Thread | None = None
        self._report: CheckReport | None = None
        self._plan: Plan | None = None
        self._settled = _Settled()
        self._match_db: dict[tuple[Kind, str], float] = {}
        self._number = 0

    def settle(self, report: CheckReport | None) -> None:
        """Begin to finish a revision in place of the one before."""
        with self._lock:
            self._cancel()
            self._token, self._superseded = CancelToken(), threading.Event()
            self._report, self._settled = report, _Settled()
            self._plan = plan_release(report) if report and report.ok else None
            self._number += 1
            if report is None or not report.ok:
                return
            scratch = self._scratch / str(self._number)
            run = partial(self._finish, report, self._settled, scratch)
            arguments = (run, self._settled, self._token, self._superseded, self._thread)
            self._thread = threading.Thread(target=self._run, args=arguments, daemon=True)
            self._thread.start()

    def _cancel(self) -> None:
        self._superseded.set()
        self._token.cancel()

    def close(self) -> None:
        """End all work."""
        self._cancel()
        if self._thread:
            self._thread.join()
        self._pool.shutdown()

    @property
    def tracks(self) -> Mapping[tuple[Kind, int], FinishedTrack]:
        """The finished tracks of this revision, by what is played and index in the manifest."""
        return self._settled.tracks

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Why the revision can't be finished."""
        return self._settled.findings

    def track(self, index: int, start_s: float, end_s: float | None) -> Stretch:
        """Return a stretch of a track's finished file.

        Parameters
        ----------
        index
            The track's index in the manifest.
        start_s, end_s
            From the start of its file; None for its end.

        Raises
        ------
        NoSoundError
            There is no such track.
        """
        known = self._settled.tracks.get(("track", index))
        place = self._place("track", index)
        start, end = _span(place.length, place.rate_hz, start_s, end_s)
        if known:
            pcm = np.concatenate([np.zeros((0, 2), np.int32), *known.pcm(place.bits, start, end)])
            return Stretch(pcm, known.rate_hz, place.bits, exact=True)
        return place.preview(start, end)

    def join(self, index: int, before_s: float, after_s: float) -> Stretch:
        """Return the end of a track and the beginning of the next, as the disc has them.

        Parameters
        ----------
        index
            Index in the manifest of the second track.
        before_s, after_s
            How much before and after its start.

        Raises
        ------
        NoSoundError
            The track is the first of its disc.
        """
        if index - 1 < 0 or self._number_on_disc(index) == 1:
            raise NoSoundError("no track on this disc is before it")
        first, second = (self._place("join", i) for i in (index - 1, index))
        start, end = _span(
            first.length, first.rate_hz, first.length / first.rate_hz - before_s, None
        )
        until = _span(second.length, second.rate_hz, 0, after_s)[1]
        known = [self._settled.tracks.get(("join", i)) for i in (index - 1, index)]
        if known[0] and known[1]:
            parts = [*known[0].pcm(first.bits, start, end), *known[1].pcm(first.bits, 0, until)]
            return Stretch(np.concatenate(parts), first.rate_hz, first.bits, exact=True)
        if first.rendered.passage == second.rendered.passage:
            return first.preview(start, first.length + until)
        parts = [first.preview(start, end).pcm, second.preview(0, until).pcm]
        return Stretch(np.concatenate(parts), first.rate_hz, first.bits, exact=False)

    def source(self, index: int, start_s: float, end_s: float | None) -> Stretch:
        """Return a stretch of a track's recording, before EQ, gain and fades.

        Times count from the start of the track; what is cut off before and after it can be played
        too, and where the recording has nothing there is silence.
        """
        section = self._section(index)
        recording, rate_hz = section.recording, section.recording.rate_hz
        until_s = (section.end - section.start) / rate_hz if end_s is None else end_s
        first = section.start + round(start_s * rate_hz)
        last = section.start + round(min(until_s, start_s + MOST_S) * rate_hz)
        start, end = (min(max(0, edge), recording.frames) for edge in (first, last))
        silence = (np.zeros((max(0, n), 2), np.float32) for n in (-first, last - recording.frames))
        head, tail = silence
        sound = np.concatenate([head, *recording.blocks(start, end), tail])
        pcm = np.clip(np.rint(sound.astype(np.float64) * (1 << 23)), -(1 << 23), (1 << 23) - 1)
        return Stretch(pcm.astype(np.int32), rate_hz, 24, exact=True)

    def _section(self, index: int) -> TrackSection:
        report = self._report
        if report is None or not 0 <= index < len(report.sections):
            raise NoSoundError("there is no such track, or its source has an error")
        return report.sections[index]

    def _number_on_disc(self, index: int) -> int:
        self._section(index)
        places = self._report.places if self._report else ()
        return next((place.number for place in places if place.index == index), 1)

    def _place(self, kind: Kind, index: int) -> _Place:
        self._section(index)
        if (plan := self._plan) is None:
            raise NoSoundError("the manifest has errors: correct them first")
        bits, spec = bits_and_spec(plan, kind)
        for number, passage in enumerate(plan.passages):
            for region, place in enumerate(passage.places):
                if place.index == index:
                    rendered = prepare(
                        passage,
                        plan.sections_of(passage),
                        spec.rates_hz[number],
                        self._scratch / f"preview-{self._number}-{kind}-{number}.f32",
                    )
                    gains = tuple(self._gain_db(kind, s) for s in rendered.sections)
                    return _Place(rendered, region, bits, limiter_of(spec.level), gains)
        raise NoSoundError("the track is on no disc and in no download")

    def _gain_db(self, kind: Kind, section: TrackSection) -> float:
        """Return the best gain known: what the match found last, with the trim of now."""
        known = self._match_db.get((kind, section.track.full_title), 0.0)
        return known + float(section.track.trim)

    def _run(
        self,
        finish: Callable[[Share], None],
        settled: _Settled,
        token: CancelToken,
        superseded: threading.Event,
        before: threading.Thread | None,
    ) -> None:
        """Finish a revision once the work on the one before it has ended, unless another comes."""
        if before:
            before.join()
        if superseded.wait(_SETTLE_AFTER_S):
            return
        try:
            with token.active(), Share(self._pool, token) as pool:
                finish(pool)
        except Cancelled:
            return
        except FindingsError as error:
            settled.findings = error.findings
        except Exception as error:  # else the page would wait for ever
            settled.findings = (Finding("error", "stopped", "", "", 0, str(explained(error))),)
        self._changed()

    def _finish(self, report: CheckReport, settled: _Settled, scratch: Path, pool: Share) -> None:
        for old in self._scratch.glob("[0-9]*"):  # of revisions before
            shutil.rmtree(old, ignore_errors=True)
        for preview_file in self._scratch.glob("preview-*"):
            preview_file.unlink(missing_ok=True)
        scratch.mkdir(exist_ok=True)
        digests = inputs_of(report, (), packages=False).digests(self._cache, pool.map)
        exact = check(report.source, scratch=scratch, cache=self._cache, digests=digests)
        if not exact.ok:
            raise FindingsError(exact.findings)
        plan = plan_release(exact)
        artifacts = ArtifactCache(self._cache, LastRelease(scratch / "none", {}), plan.rooms)
        scheduler = Scheduler(pool, TaskProgress(no_progress))
        masters, _ = Mastering(plan, artifacts, scheduler, scratch, ()).tasks()
        tasks: list[Task[None]] = []
        for kind in _KINDS:
            bits, spec = bits_and_spec(plan, kind)
            for passage, task in masters[spec].passages.items():
                tasks.append(self._note_task(kind, bits, passage, task, settled))
        scheduler.run(Task("settled", lambda *_: None, tuple(tasks)))

    def _note_task(
        self,
        kind: Kind,
        bits: int,
        passage: Passage,
        task: Task[list[FinishedTrack]],
        settled: _Settled,
    ) -> Task[None]:
        def note(tracks: list[FinishedTrack]) -> None:
            for one in tracks:
                one.stored(bits)
                settled.tracks[kind, one.section.index] = one
                track = one.section.track
                self._match_db[kind, track.full_title] = one.gain_db - float(track.trim)
            self._changed()

        return Task(f"{kind}: settled from frame {passage.start_frame}", note, (task,))


_KINDS: tuple[Kind, ...] = ("track", "join")


@dataclass(frozen=True)
class _Place:
    """A track's region of its passage."""

    rendered: RenderedPassage
    region: int
    bits: int
    limiter: LimiterSettings
    gains_db: tuple[float, ...]

    @property
    def rate_hz(self) -> int:
        return self.rendered.rate_hz

    @property
    def start(self) -> int:
        return (0, *self.rendered.cuts)[self.region]

    @property
    def length(self) -> int:
        return self.rendered.region_lengths[self.region]

    def preview(self, start: int, end: int) -> Stretch:
        """Render a stretch, counted from the region's start."""
        span = (self.start + start, self.start + end)
        pcm = preview(self.rendered, self.gains_db, self.limiter, span, self.bits)
        return Stretch(pcm, self.rate_hz, self.bits, exact=False)


def _span(length: int, rate_hz: int, start_s: float, end_s: float | None) -> tuple[int, int]:
    """Return a stretch in samples, within a length and no longer than `MOST_S`."""
    start = min(max(0, round(start_s * rate_hz)), length)
    end = length if end_s is None else min(max(start, round(end_s * rate_hz)), length)
    return start, min(end, start + round(MOST_S * rate_hz))
