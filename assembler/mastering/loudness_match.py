"""Find the gains that match loudness, measured as delivered: after the limiter."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from types import MappingProxyType
from typing import Any

from assembler.dsp.limiter import LimiterSettings
from assembler.errors import SourceError
from assembler.manifest import Level
from assembler.mastering.gain_plan import (
    GainPlan,
    TrackGain,
    fill_missing,
    trims_of,
    without_match,
)
from assembler.mastering.gain_search import (
    CLOSE_ENOUGH_LU,
    Goal,
    Landing,
    Search,
    SearchResult,
    StopReason,
    search,
)
from assembler.mastering.limiting import limiter_of
from assembler.mastering.passage import RenderedPassage
from assembler.mastering.track_levels import SourceLevel, levels_after_limiting, source_levels

NEAR_LOUDEST_LU = 3.0
"""Tracks within this of the loudest may be the loudest after limiting."""
_BETWEEN_SAMPLES_DB = 1.0
"""Assumed distance of the true peak above the sample peak, where it is not measured."""
_NEGLIGIBLE_DB = 0.5
"""Peaks up to this far over the ceiling cost no loudness that matters to an album match."""

_NOTHING: StopReason = ""

Run = Callable[..., Iterable[Any]]


def match_gains(
    passages: Sequence[RenderedPassage],
    level: Level,
    run: Run,
    guess: Sequence[GainPlan] | None = None,
) -> list[GainPlan]:
    """Find every track's gain.

    Parameters
    ----------
    passages
        The whole release at a deliverable's rates.
    level
        Match, target and ceiling.
    run
        Like `map`; an executor's `map` measures passages in parallel.
    guess
        Gains found for the same level at other rates: where the search begins.

    Returns
    -------
    list of GainPlan
        One per passage. A track that is too short to measure has no gain if it is alone in its
        passage; `with_neighbours` adds one.

    Raises
    ------
    SourceError
        A track to be matched has no sound above the gate.
    """
    sources = list(run(source_levels, passages))
    if level.match == "none":
        return [without_match(*pair) for pair in zip(passages, sources, strict=True)]
    for rendered, levels in zip(passages, sources, strict=True):
        _refuse_silence(rendered, levels)
    if level.match == "track":
        guesses: Sequence[GainPlan | None] = guess or [None] * len(passages)
        return list(run(partial(_match_tracks, level), passages, sources, guesses))
    return _match_album(level, passages, sources, run, guess)


def _refuse_silence(rendered: RenderedPassage, levels: Sequence[SourceLevel]) -> None:
    for section, level in zip(rendered.sections, levels, strict=True):
        if level.lufs is None and not level.too_short:
            raise SourceError(
                f"track {section.index + 1} is silent, so there is no loudness to match: check its "
                "source and section, or set `level.match: none`",
                "silent-track",
                section.index,
            )


def _free_db(level: SourceLevel, trim: float, ceiling_dbtp: float) -> float:
    """Return the highest match gain at which no peak reaches the clipper, or the ceiling."""
    if level.peak_dbfs is None:
        return -math.inf
    return ceiling_dbtp - level.clip_below_db - level.peak_dbfs - trim - _BETWEEN_SAMPLES_DB


def _match_tracks(
    level: Level, rendered: RenderedPassage, levels: Sequence[SourceLevel], guess: GainPlan | None
) -> GainPlan:
    """Match every track of a passage to the target plus its trim."""
    trims = trims_of(rendered)
    targets = {i: level.target + trims[i] for i, one in enumerate(levels) if not one.too_short}
    found = reach(rendered, levels, targets, limiter_of(level), guess=guess)
    return GainPlan(
        rendered,
        tuple(
            track_gain(found[i], targets[i], trims[i], one.lufs)
            if i in found
            else TrackGain(None, None, too_short=True)
            for i, one in enumerate(levels)
        ),
    )


def reach(
    rendered: RenderedPassage,
    levels: Sequence[SourceLevel],
    targets: dict[int, float],
    limiter: LimiterSettings,
    *,
    fixed_db: Mapping[int, float] = MappingProxyType({}),
    guess: GainPlan | None = None,
) -> dict[int, SearchResult]:
    """Find the gains at which tracks of a passage reach their targets after the limiter.

    Parameters
    ----------
    rendered, levels
        The passage, and its tracks before gain.
    targets
        Loudness to reach, by place in the passage.
    limiter
        Its settings.
    fixed_db
        Gains of other tracks that are already known.
    guess
        Where the search begins: gains found for the same targets at another rate.
    """
    lufs_of = {i: lufs for i in targets if (lufs := levels[i].lufs) is not None}
    firsts = {i: targets[i] - lufs for i, lufs in lufs_of.items()}
    stops: dict[int, StopReason] = {}
    if guess:
        firsts = {i: guess.gains_db[i] for i in firsts}
        stops = {i: guess.tracks[i].stopped_by for i in firsts}

    def goal(i: int) -> Goal:
        free_db = _free_db(levels[i], 0.0, limiter.ceiling_dbtp)
        return Goal(targets[i], lufs_of[i], free_db, firsts[i], stops.get(i, ""))

    def land(gains: dict[int, float]) -> list[Landing]:
        known = {**fixed_db, **gains}
        filled = fill_missing([known.get(i) for i in range(len(levels))], rendered.sections)
        return levels_after_limiting(rendered, filled, limiter)

    found: dict[int, SearchResult] = {}
    for _ in range(3):
        found = _run_together({i: search(goal(i)) for i in lufs_of}, land)
        firsts = {i: one.gain_db for i, one in found.items()}
        stops = {i: one.stopped_by for i, one in found.items()}
        if len(found) < 2 or _all_on_target(targets, found, land(firsts)):
            break
    return found


def _all_on_target(
    targets: dict[int, float], found: dict[int, SearchResult], landings: Sequence[Landing]
) -> bool:
    """Check that tracks which share a limiter still reach their targets with all gains set."""
    return all(
        one.stopped_by or abs(landings[i].lufs - targets[i]) <= CLOSE_ENOUGH_LU
        for i, one in found.items()
    )


def _run_together(
    searches: dict[int, Search], land: Callable[[dict[int, float]], list[Landing]]
) -> dict[int, SearchResult]:
    """Run the searches of a passage's tracks together: one rendering serves them all."""
    found: dict[int, SearchResult] = {}
    gains: dict[int, float] = {}
    landings: list[Landing] = []
    while len(found) < len(searches):
        for i, one in searches.items():
            if i in found:
                continue
            try:
                gains[i] = one.send(landings[i]) if landings else next(one)
            except StopIteration as end:
                found[i] = end.value
                gains[i] = found[i].gain_db
        if len(found) < len(searches):
            landings = land(gains)
    return found


def track_gain(
    found: SearchResult, target_lufs: float, trim: float, source_lufs: float | None
) -> TrackGain:
    """Return a track's gain from the result of its search."""
    light = None if found.light_lufs is None else found.light_lufs - trim
    return TrackGain(
        gain_db=found.gain_db,
        target_lufs=target_lufs,
        source_lufs=source_lufs,
        stopped_by=found.stopped_by,
        most_limited=found.most_limited,
        light_target_lufs=light,
    )


class _Album:
    """All tracks of an album under one gain.

    Parameters
    ----------
    level
        Match, target and ceiling.
    passages, sources
        All passages, and the levels of their tracks before gain.
    run
        Like `map`.
    """

    def __init__(
        self,
        level: Level,
        passages: Sequence[RenderedPassage],
        sources: Sequence[Sequence[SourceLevel]],
        run: Run,
    ) -> None:
        self._level = level
        self._passages = list(zip(passages, sources, strict=True))
        self._run = run
        self.loudest_lufs = max(
            (one.lufs for levels in sources for one in levels if one.lufs is not None), default=0.0
        )
        self.free_db = min(
            _free_db(one, trim, level.ceiling)
            for rendered, levels in self._passages
            for one, trim in zip(levels, trims_of(rendered), strict=True)
        )

    def land(self, gain_db: float) -> Landing:
        """Measure the result of a gain: the loudest track, and the balance between all."""
        limited = [pair for pair in self._passages if self._must_be_limited(gain_db, *pair)]
        limiter = limiter_of(self._level)

        def levels_of(rendered: RenderedPassage) -> list[Landing]:
            gains = [gain_db + trim for trim in trims_of(rendered)]
            return levels_after_limiting(rendered, gains, limiter)

        found = dict(
            zip(
                (id(p) for p, _ in limited),
                self._run(levels_of, [p for p, _ in limited]),
                strict=True,
            )
        )
        loudest, reduction_db = -99.0, 0.0
        lost: list[tuple[float, int]] = []
        for rendered, levels in self._passages:
            landings = found.get(id(rendered))
            for i, (one, section) in enumerate(zip(levels, rendered.sections, strict=True)):
                if one.lufs is None or one.too_short:
                    continue
                lufs = one.lufs + gain_db
                if landings:
                    lufs = landings[i].lufs - float(section.track.trim)
                    reduction_db = max(reduction_db, landings[i].reduction_db)
                loudest = max(loudest, lufs)
                lost.append((one.lufs + gain_db - lufs, section.index))
        most_lu, most_limited = max(lost)
        return Landing(loudest, reduction_db, most_lu - min(lost)[0], most_limited)

    def _must_be_limited(
        self, gain_db: float, rendered: RenderedPassage, levels: Sequence[SourceLevel]
    ) -> bool:
        """Check whether limiting a passage can change the loudest track or the balance."""
        for one, trim in zip(levels, trims_of(rendered), strict=True):
            over_db = gain_db - _free_db(one, trim, self._level.ceiling) - _BETWEEN_SAMPLES_DB
            near = one.lufs is not None and one.lufs >= self.loudest_lufs - NEAR_LOUDEST_LU
            if over_db > (-_BETWEEN_SAMPLES_DB if near else _NEGLIGIBLE_DB):
                return True
        return False


def _match_album(
    level: Level,
    passages: Sequence[RenderedPassage],
    sources: Sequence[Sequence[SourceLevel]],
    run: Run,
    guess: Sequence[GainPlan] | None,
) -> list[GainPlan]:
    """Find the one gain that brings the loudest track to the target; trims are added to it.

    It is capped where the limiter would change the balance between the tracks too much.
    """
    if all(one.too_short for levels in sources for one in levels):
        return [without_match(*pair) for pair in zip(passages, sources, strict=True)]
    album = _Album(level, passages, sources, run)
    unlimited_db = level.target - album.loudest_lufs
    first_db, stopped_by = unlimited_db, _NOTHING
    if guess:
        first_db = guess[0].gains_db[0] - trims_of(guess[0].rendered)[0]
        stopped_by = guess[0].tracks[0].stopped_by
    goal = Goal(level.target, album.loudest_lufs, album.free_db, first_db, stopped_by)
    found = _run_together({0: search(goal)}, lambda gains: [album.land(gains[0])])[0]
    return [
        GainPlan(
            rendered,
            tuple(
                _album_track(found, unlimited_db, one, trim)
                for one, trim in zip(levels, trims_of(rendered), strict=True)
            ),
        )
        for rendered, levels in zip(passages, sources, strict=True)
    ]


def _album_track(
    found: SearchResult, unlimited_db: float, source: SourceLevel, trim: float
) -> TrackGain:
    if source.too_short or source.lufs is None:
        short = TrackGain(found.gain_db + trim, None, too_short=True, album_db=found.gain_db)
        return replace(short, stopped_by=found.stopped_by)
    target_lufs = source.lufs + unlimited_db + trim
    gain = track_gain(found, target_lufs, 0.0, source.lufs)
    return replace(gain, gain_db=found.gain_db + trim, album_db=found.gain_db)
