"""Master a release: render its passages at each level and rate, match their gains, finish them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.cache.keys import Key
from assembler.manifest import Level
from assembler.mastering.gain_plan import GainPlan, TrackGain
from assembler.mastering.passage import RenderedPassage, prepare
from assembler.mastering.plan import DISC_BITS, MasterSpec, Plan
from assembler.mastering.render import FinishedTrack
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.progress import MASTER, MATCH, Tasks
from assembler.sequence.frames import DISC_RATE_HZ


@dataclass(frozen=True)
class Master:
    """The whole release at one level: its tracks in order, and their gains."""

    tracks: tuple[FinishedTrack, ...]
    gains: tuple[TrackGain, ...]


@dataclass(frozen=True)
class Masters:
    """Every master of a release.

    Attributes
    ----------
    by_spec
        Each master that the plan asks for.
    hidden
        The sound before track 1, if there is any.
    """

    by_spec: Mapping[MasterSpec, Master]
    hidden: FinishedTrack | None

    def __getitem__(self, spec: MasterSpec) -> Master:
        return self.by_spec[spec]


def make_masters(
    plan: Plan, cache: ArtifactCache, pool: Executor, tasks: Tasks, scratch: Path
) -> Masters:
    """Make every master that a plan asks for.

    Parameters
    ----------
    plan
        What to make.
    cache
        Gains and finished tracks of earlier builds.
    pool
        Passages are mastered in parallel on it.
    tasks
        Reports each step.
    scratch
        Folder for rendered passages.
    """
    mastering = _Mastering(plan, cache, pool, tasks, scratch)
    masters: dict[MasterSpec, Master] = {}
    plans: dict[Level, list[GainPlan]] = {}
    for number, spec in enumerate(plan.bit_depths):
        passages = mastering.passages(spec, number)
        keys = [cache.passage_key(rendered) for rendered in passages]
        plans[spec.level] = mastering.match(passages, spec.level, plans.get(spec.level))
        masters[spec] = mastering.finish(spec, keys, plans[spec.level])
    image = plan.disc or plan.joins
    hidden = mastering.hidden(masters[image], image.level) if image else None
    return Masters(masters, hidden)


@dataclass(frozen=True)
class _Mastering:
    """What the steps of mastering work with."""

    plan: Plan
    cache: ArtifactCache
    pool: Executor
    tasks: Tasks
    scratch: Path

    def passages(self, spec: MasterSpec, number: int) -> list[RenderedPassage]:
        """Return the passages at the rates of a master; `number` keeps its files apart."""
        return [
            prepare(
                passage,
                self.plan.sections_of(passage),
                rate_hz,
                self.scratch / f"passage-{number}-{index}.f32",
            )
            for index, (passage, rate_hz) in enumerate(
                zip(self.plan.passages, spec.rates_hz, strict=True)
            )
        ]

    def match(
        self, passages: Sequence[RenderedPassage], level: Level, guess: list[GainPlan] | None
    ) -> list[GainPlan]:
        """Find the gains; a passage's cost counts once, however many rounds the search takes."""
        costs_s = {rendered.file: MATCH * _duration_s(rendered) for rendered in passages}

        def run(
            work: Callable[..., Any], of: Iterable[RenderedPassage], *more: Iterable[Any]
        ) -> Any:
            def as_task(rendered: RenderedPassage, *rest: Any) -> Any:
                cost_s = costs_s.pop(rendered.file, 0.0)
                with self.tasks.task(f"match: {_title(rendered)}", cost_s):
                    return work(rendered, *rest)

            return self.pool.map(as_task, of, *more)

        plans = self.cache.gain_plans(passages, level, guess, run)
        self.tasks.plan(-sum(costs_s.values()))  # of gains that were cached
        return plans

    def finish(
        self, spec: MasterSpec, keys: Sequence[Key], gain_plans: Sequence[GainPlan]
    ) -> Master:
        """Render every passage with its gains, in parallel."""
        bit_depths = self.plan.bit_depths[spec]
        dither = self.plan.report.source.manifest.disc.dither

        def finish_one(key: Key, gain_plan: GainPlan) -> list[FinishedTrack]:
            cost_s = MASTER * len(bit_depths) * _duration_s(gain_plan.rendered)
            with self.tasks.task(f"master: {_title(gain_plan.rendered)}", cost_s):
                return self.cache.finished_tracks(
                    gain_plan, key, spec.level.ceiling, bit_depths, dither
                )

        finished = list(self.pool.map(finish_one, keys, gain_plans))
        return Master(
            tuple(track for tracks in finished for track in tracks),
            tuple(gain for gain_plan in gain_plans for gain in gain_plan.tracks),
        )

    def hidden(self, image: Master, level: Level) -> FinishedTrack | None:
        """Master the sound before track 1: at the album's gain, or matched like a track."""
        hidden, passage = self.plan.report.hidden, self.plan.report.discs[0].hidden
        if hidden is None or passage is None:
            return None
        rendered = prepare(passage, (hidden,), DISC_RATE_HZ, self.scratch / "hidden.f32")
        key = self.cache.passage_key(rendered)
        first = image.tracks[0]
        gain_plan = GainPlan(rendered, (TrackGain(first.gain_db - first.section.track.trim, None),))
        if level.match == "track":
            (gain_plan,) = self.cache.gain_plans([rendered], level, None, map)
        dither = self.plan.report.source.manifest.disc.dither
        (track,) = self.cache.finished_tracks(gain_plan, key, level.ceiling, (DISC_BITS,), dither)
        return track


def _duration_s(rendered: RenderedPassage) -> float:
    return rendered.length / rendered.rate_hz


def _title(rendered: RenderedPassage) -> str:
    """Return the title of a passage's first track."""
    return rendered.sections[0].track.full_title
