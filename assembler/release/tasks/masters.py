"""Master a release: match the gains of its passages at each level and rate, and finish them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.cache.keys import Key
from assembler.errors import AssemblerError
from assembler.manifest import Level
from assembler.mastering.gain_plan import GainPlan, TrackGain, with_neighbours
from assembler.mastering.held_gains import held_master
from assembler.mastering.limiting import limiter_of
from assembler.mastering.passage import RenderedPassage, prepare
from assembler.mastering.plan import DISC_BITS, MasterSpec, Plan
from assembler.mastering.render import FinishedTrack, MasterSettings
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.progress import IMAGE, MASTER, MATCH
from assembler.release.tasks.finisher import Finisher
from assembler.release.tasks.graph import Scheduler, Task
from assembler.release.tasks.images import Image
from assembler.sequence import Passage
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.text import FRAMES_PER_SECOND


@dataclass(frozen=True)
class Master:
    """An edition at one level: its tracks in order, and their gains."""

    tracks: tuple[FinishedTrack, ...]
    gains: tuple[TrackGain, ...]


@dataclass(frozen=True)
class MasterTasks:
    """The tasks of one master.

    Attributes
    ----------
    passages
        The rendered passages: the tracks of each.
    whole
        All of it.
    """

    passages: Mapping[Passage, Task[list[FinishedTrack]]]
    whole: Task[Master]


@dataclass(frozen=True)
class ImageTasks:
    """The tasks of the discs' sound.

    Attributes
    ----------
    images
        The finished images.
    hidden
        The sound before track 1; None where there is none.
    """

    images: Mapping[int, Task[Image]]
    hidden: Task[FinishedTrack] | None


@dataclass(frozen=True)
class _Prepared:
    """Images before their passages are rendered: keys of all passages, and those missing."""

    keys: Mapping[Passage, Key]
    missing: frozenset[Passage]
    hidden: GainPlan | None


Rendered = dict[tuple[object, ...], Task[list[FinishedTrack]]]
"""The last task that renders each run of tracks at one rate with the same settings."""


@dataclass(frozen=True)
class Mastering:
    """States the tasks of mastering.

    Attributes
    ----------
    plan
        What to make.
    cache
        Gains, readings and FLAC files of earlier builds.
    scheduler
        Runs the tasks.
    scratch
        Folder for what only this build needs.
    images
        Those of the discs; empty where no disc's sound is needed.
    """

    plan: Plan
    cache: ArtifactCache
    scheduler: Scheduler
    scratch: Path
    images: tuple[Image, ...]

    def tasks(self) -> tuple[dict[MasterSpec, MasterTasks], ImageTasks]:
        """Return the tasks of every master, and of the discs' sound."""
        matches: dict[tuple[Level, tuple[int, ...]], Task[list[GainPlan]]] = {}
        masters: dict[MasterSpec, MasterTasks] = {}
        discs = ImageTasks({}, None)
        before: Rendered = {}
        for number, spec in enumerate(self.plan.bit_depths):
            rendered = self._rendered(spec, number)
            unheld = self._match(spec, rendered, matches.get((spec.level, spec.tracks)))
            matches.setdefault((spec.level, spec.tracks), unheld)
            plans = self._hold(spec, unheld)
            if spec == (self.plan.disc or self.plan.joins):
                masters[spec], discs = self._disc_tasks(spec, rendered, plans, before)
            else:
                finisher = self._finisher(spec, {})
                masters[spec] = _master_tasks(
                    finisher, rendered, plans, _no_images, before, self._named(spec)
                )
        return masters, discs

    def _rendered(self, spec: MasterSpec, number: int) -> list[RenderedPassage]:
        """Return the passages at the rates of a master; `number` keeps its files apart."""
        edition = self.plan.edition(spec)
        return [
            prepare(
                passage,
                edition.sections_of(passage),
                rate_hz,
                self.scratch / f"passage-{number}-{index}.f32",
            )
            for index, (passage, rate_hz) in enumerate(
                zip(edition.passages, spec.rates_hz, strict=True)
            )
        ]

    def _match(
        self,
        spec: MasterSpec,
        rendered: Sequence[RenderedPassage],
        guess: Task[list[GainPlan]] | None,
    ) -> Task[list[GainPlan]]:
        """Return the task that finds the gains: of the album, or of each passage by itself."""
        level, inputs = spec.level, (guess,) if guess else ()
        of = self._named(spec)
        costs_s = [MATCH * _duration_s(one) for one in rendered]
        if level.match == "album":

            def match_all(*guesses: list[GainPlan]) -> list[GainPlan]:
                found = self.cache.gain_plans(rendered, level, self.scheduler.map, *guesses)
                return with_neighbours(found)

            return Task(f"match: the album{of}", match_all, inputs, sum(costs_s))

        def match_one(i: int) -> Callable[..., GainPlan]:
            def match(*guesses: list[GainPlan]) -> GainPlan:
                near = [plans[i] for plans in guesses]
                return self.cache.gain_plans([rendered[i]], level, map, near)[0]

            return match

        each = [
            Task(f"match: {_title(one)}{of}", match_one(i), inputs, costs_s[i])
            for i, one in enumerate(rendered)
        ]
        return Task(f"match{of}", lambda *plans: with_neighbours(plans), tuple(each))

    def _hold(self, spec: MasterSpec, unheld: Task[list[GainPlan]]) -> Task[list[GainPlan]]:
        """Return the task that finds the gains under a hold; without one, that of the match."""
        hold = self.plan.report.hold
        held = held_master(hold, self.plan.uses(spec), spec.level) if hold else None
        if held is None:
            return unheld

        def hold_all(plans: list[GainPlan]) -> list[GainPlan]:
            return with_neighbours(
                self.cache.held_plans(plans, spec.level, held, self.scheduler.map)
            )

        return Task(f"hold as approved{self._named(spec)}", hold_all, (unheld,))

    def _named(self, spec: MasterSpec) -> str:
        """Return the end of the names of a master's tasks: its first format, if it is no disc's."""
        if spec == (self.plan.disc or self.plan.joins):
            return ""
        return f", {next(name for name, own in self.plan.downloads.items() if own == spec)}"

    def _finisher(self, spec: MasterSpec, images: Mapping[Passage, Image]) -> Finisher:
        settings = MasterSettings(
            limiter_of(spec.level),
            self.plan.bit_depths[spec],
            self.plan.report.source.manifest.disc.dither,
        )
        formats = tuple(name for name, own in self.plan.downloads.items() if own == spec)
        return Finisher(self.cache, self.scratch, settings, formats, images)

    def _disc_tasks(
        self,
        spec: MasterSpec,
        rendered: Sequence[RenderedPassage],
        plans: Task[list[GainPlan]],
        before: Rendered,
    ) -> tuple[MasterTasks, ImageTasks]:
        """Return the tasks of the master that the discs' images are made of."""
        finisher = self._finisher(spec, {p: one for one in self.images for p in one.passages})
        hidden_settings = MasterSettings(
            finisher.settings.limiter, (DISC_BITS,), finisher.settings.dither
        )
        hidden_finisher = Finisher(self.cache, self.scratch, hidden_settings, (), finisher.images)

        def prepare_images(gain_plans: list[GainPlan]) -> _Prepared:
            hidden = self._hidden_plan(spec, gain_plans[0])
            keys = {one.rendered.passage: finisher.key(one) for one in gain_plans}
            if hidden:
                keys[hidden.rendered.passage] = hidden_finisher.key(hidden)
            missing = [
                passage
                for image in self.images
                for passage in image.prepare([keys[p] for p in image.passages])
            ]
            return _Prepared(keys, frozenset(missing), hidden)

        prepared = Task("images: places", prepare_images, (plans,))
        tasks = _master_tasks(finisher, rendered, plans, prepared, before)
        hidden_task: Task[FinishedTrack] | None = None
        if self.plan.edition(spec).hidden:

            def finish_hidden(ready: _Prepared) -> FinishedTrack:
                if ready.hidden is None:
                    raise AssemblerError("the hidden sound has no gain: please report this")
                return hidden_finisher.finish(ready.hidden, ready.missing)[0]

            hidden_task = Task("master: hidden sound", finish_hidden, (prepared,))

        def finished(image: Image) -> Task[Image]:
            own = [tasks.passages[p] for p in image.disc.passages]
            first = [hidden_task] if hidden_task and image.disc.hidden else []

            def finish(ready: _Prepared, *_sound: object) -> Image:
                image.finish([ready.keys[p] for p in image.passages])
                return image

            cost_s = IMAGE * image.disc.frames / FRAMES_PER_SECOND
            name = f"disc {image.disc.number}: image"
            return Task(name, finish, (prepared, *first, *own), cost_s)

        return tasks, ImageTasks(
            {one.disc.number: finished(one) for one in self.images}, hidden_task
        )

    def _hidden_plan(self, spec: MasterSpec, first: GainPlan) -> GainPlan | None:
        """Return the gain of the sound before track 1: the album's, or matched like a track."""
        edition, level = self.plan.edition(spec), spec.level
        hidden, passage = edition.hidden, edition.discs[0].hidden
        if hidden is None or passage is None:
            return None
        rendered = prepare(passage, (hidden,), DISC_RATE_HZ, self.scratch / "hidden.f32")
        if level.match == "track":
            return with_neighbours(self.cache.gain_plans([rendered], level, map))[0]
        return GainPlan(rendered, (TrackGain(first.tracks[0].album_db or 0.0, None),))


_no_images: Task[_Prepared] = Task("no images", lambda: _Prepared({}, frozenset(), None))


def _master_tasks(
    finisher: Finisher,
    rendered: Sequence[RenderedPassage],
    plans: Task[list[GainPlan]],
    prepared: Task[_Prepared],
    before: Rendered,
    named: str = "",
) -> MasterTasks:
    """Return the tasks that render every passage with its gains.

    One that another edition may have alike is made after that edition's, and then found in the
    cache if it is.
    """

    def finish(i: int) -> Callable[..., list[FinishedTrack]]:
        return lambda gain_plans, ready, *_: finisher.finish(gain_plans[i], ready.missing)

    cost = MASTER * len(finisher.settings.bit_depths)
    passages: dict[Passage, Task[list[FinishedTrack]]] = {}
    for i, one in enumerate(rendered):
        alike = (finisher.settings, one.rate_hz, *(section.index for section in one.sections))
        others = [before[alike]] if alike in before else []
        inputs: tuple[Task[Any], ...] = (plans, prepared, *others)
        task = Task(f"master: {_title(one)}{named}", finish(i), inputs, cost * _duration_s(one))
        before[alike] = passages[one.passage] = task

    def whole(gain_plans: list[GainPlan], *finished: list[FinishedTrack]) -> Master:
        return Master(
            tuple(track for tracks in finished for track in tracks),
            tuple(gain for gain_plan in gain_plans for gain in gain_plan.tracks),
        )

    return MasterTasks(passages, Task(f"master{named}", whole, (plans, *passages.values())))


def _duration_s(rendered: RenderedPassage) -> float:
    return rendered.length / rendered.rate_hz


def _title(rendered: RenderedPassage) -> str:
    """Return the title of a passage's first track."""
    return rendered.sections[0].track.full_title
