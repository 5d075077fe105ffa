"""Find the gains of the match, on the sound as it will be delivered: after the limiter."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from assembler.dsp.blocks import Samples, cut
from assembler.dsp.decibels import decibels
from assembler.dsp.limiter import limit
from assembler.dsp.loudness import EnergyMeter
from assembler.errors import SourceError
from assembler.manifest import Level
from assembler.mastering.gain_reduction import GainReductionLog
from assembler.mastering.gain_search import (
    CLOSE_ENOUGH_LU,
    Found,
    Goal,
    Landing,
    Search,
    Stop,
    search,
)
from assembler.mastering.passage import RenderedPassage, with_gain, with_silence
from assembler.preflight.sections import TrackSection

NEAR_LOUDEST_LU = 3.0
"""Tracks this near to the loudest can be the loudest after limiting."""
BLOCK_S = 0.4
"""A gating block of BS.1770: sound that is shorter has no integrated loudness."""
_BETWEEN_SAMPLES_DB = 1.0
"""How far a true peak is taken to lie over the samples, where it isn't measured."""
_NOT_HEARD_DB = 0.5
"""Peaks this far over the ceiling cost no loudness that an album match must know of."""

_NOTHING: Stop = ""

Run = Callable[..., Iterable[Any]]


@dataclass(frozen=True)
class SourceLevel:
    """A track before gain.

    Attributes
    ----------
    lufs
        Integrated loudness; None for silence.
    peak_dbfs
        Sample peak; None where tracks overlap, so that it depends on their gains.
    too_short
        Shorter than a gating block.
    """

    lufs: float | None
    peak_dbfs: float | None
    too_short: bool


@dataclass(frozen=True)
class TrackGain:
    """What the match came to for one track.

    Attributes
    ----------
    gain_db
        Match and trim together; None where only the neighbours of a short track can give it.
    asked_lufs
        Loudness that the match asks; None for silence without match, and for what is too short.
    source_lufs
        Loudness before gain.
    stopped_by
        What kept the gain from the asked loudness; see `Found`.
    most_limited
        Place in the manifest of the track that set an album's cap.
    light_target_lufs
        Target at which gain reduction stays light; None where it does.
    too_short
        It has no loudness of its own, and the gain of its neighbours.
    """

    gain_db: float | None
    asked_lufs: float | None
    source_lufs: float | None = None
    stopped_by: Stop = ""
    most_limited: int | None = None
    light_target_lufs: float | None = None
    too_short: bool = False


@dataclass(frozen=True)
class GainPlan:
    """Gains of one passage, one a track."""

    prepared: RenderedPassage
    tracks: tuple[TrackGain, ...]

    @property
    def gains_db(self) -> tuple[float, ...]:
        """Match and trim together, one a track."""
        return tuple(track.gain_db or 0.0 for track in self.tracks)


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
        What is asked.
    run
        Like `map`; an executor's `map` measures passages side by side.
    guess
        What the same level came to at other rates: a good place to begin.

    Returns
    -------
    list of GainPlan
        One a passage. A track that is too short to measure has no gain where its passage holds
        no other; `with_neighbours` gives it one.

    Raises
    ------
    SourceError
        A track under a match holds nothing that passes the gate.
    """
    sources = list(run(source_levels, passages))
    if level.match == "none":
        return [_unmatched(*pair) for pair in zip(passages, sources, strict=True)]
    for prepared, levels in zip(passages, sources, strict=True):
        _refuse_silence(prepared, levels)
    if level.match == "track":
        guesses: Sequence[GainPlan | None] = guess or [None] * len(passages)
        return list(run(partial(_match_tracks, level), passages, sources, guesses))
    return _match_album(level, passages, sources, run, guess)


def with_neighbours(matched: Sequence[GainPlan]) -> list[GainPlan]:
    """Give tracks that are too short to measure the mean gain of their neighbours.

    Their own trim comes on top; without a neighbour that was measured it is all they get.
    """
    sections = [section for one in matched for section in one.prepared.sections]
    gains = iter(_filled([track.gain_db for one in matched for track in one.tracks], sections))
    return [
        replace(one, tracks=tuple(replace(track, gain_db=next(gains)) for track in one.tracks))
        for one in matched
    ]


def source_levels(prepared: RenderedPassage) -> list[SourceLevel]:
    """Measure each track of a passage before gain."""
    meters = [EnergyMeter(prepared.rate_hz, 2) for _ in prepared.sections]
    peaks = [0.0] * len(meters)
    for region, block in _regions(prepared, with_gain(prepared, [0.0] * len(meters))):
        meters[region].feed(block)
        peaks[region] = max(peaks[region], float(np.abs(block).max(initial=0.0)))
    overlapping = any(prepared.overlaps)
    return [
        SourceLevel(
            lufs=meter.loudness().integrated_lufs,
            peak_dbfs=None if overlapping else decibels(peak),
            too_short=length < BLOCK_S * prepared.rate_hz,
        )
        for meter, peak, length in zip(meters, peaks, prepared.lengths, strict=True)
    ]


def levels_after_limiting(
    prepared: RenderedPassage, gains_db: Sequence[float], ceiling_dbtp: float
) -> list[Landing]:
    """Measure each track of a passage as it would be delivered with these gains."""
    meters = [EnergyMeter(prepared.rate_hz, 2) for _ in prepared.sections]
    log = GainReductionLog(prepared.rate_hz, prepared.parts)

    def limited() -> Iterator[Samples]:
        gained = with_gain(prepared, gains_db)
        for block, reduction in limit(gained, prepared.rate_hz, ceiling_dbtp):
            log.add(reduction)
            yield block

    for region, block in _regions(prepared, limited()):
        meters[region].feed(block)
    return [
        Landing(
            -99.0 if (lufs := meter.loudness().integrated_lufs) is None else lufs, track.most_db
        )
        for meter, track in zip(meters, log.tracks(), strict=True)
    ]


def _regions(prepared: RenderedPassage, sound: Iterator[Samples]) -> Iterator[tuple[int, Samples]]:
    return cut(with_silence(sound, prepared.length), prepared.cuts)


def _trims(prepared: RenderedPassage) -> list[float]:
    return [float(section.track.trim) for section in prepared.sections]


def _refuse_silence(prepared: RenderedPassage, levels: Sequence[SourceLevel]) -> None:
    for section, level in zip(prepared.sections, levels, strict=True):
        if level.lufs is None and not level.too_short:
            raise SourceError(
                f"track {section.index + 1} is silent, so there is no loudness to match: check its "
                "source and section, or set `level.match: none`",
                "silent-track",
                section.index,
            )


def _unmatched(prepared: RenderedPassage, levels: Sequence[SourceLevel]) -> GainPlan:
    return GainPlan(
        prepared,
        tuple(
            TrackGain(trim, None if level.lufs is None else level.lufs + trim, level.lufs)
            for level, trim in zip(levels, _trims(prepared), strict=True)
        ),
    )


def _filled(gains_db: Sequence[float | None], sections: Sequence[TrackSection]) -> list[float]:
    """Return gains with those that are missing taken from the nearest on either side."""
    trims = [float(section.track.trim) for section in sections]
    known = {
        i: gain - trim
        for i, (gain, trim) in enumerate(zip(gains_db, trims, strict=True))
        if gain is not None
    }

    def missing(i: int) -> float:
        before = [known[k] for k in sorted(known) if k < i][-1:]
        after = [known[k] for k in sorted(known) if k > i][:1]
        near = before + after
        return sum(near) / len(near) if near else 0.0

    return [missing(i) + trims[i] if gain is None else gain for i, gain in enumerate(gains_db)]


def _free_db(level: SourceLevel, trim: float, ceiling_dbtp: float) -> float:
    """Return the highest match gain at which no peak of a track reaches the ceiling."""
    if level.peak_dbfs is None:
        return -math.inf
    return ceiling_dbtp - level.peak_dbfs - trim - _BETWEEN_SAMPLES_DB


def _match_tracks(
    level: Level, prepared: RenderedPassage, levels: Sequence[SourceLevel], guess: GainPlan | None
) -> GainPlan:
    """Bring every track of a passage to the target, its trim on top."""
    trims = _trims(prepared)
    measured = {i: one.lufs for i, one in enumerate(levels) if not one.too_short}
    asked = {i: level.target + trims[i] for i in measured}
    firsts = {i: asked[i] - lufs for i, lufs in measured.items() if lufs is not None}
    stops: dict[int, Stop] = {}
    if guess:
        firsts = {i: guess.gains_db[i] for i in firsts}
        stops = {i: guess.tracks[i].stopped_by for i in firsts}

    def goal(i: int, lufs: float) -> Goal:
        free_db = _free_db(levels[i], 0.0, level.ceiling)
        return Goal(asked[i], lufs, free_db, firsts[i], stops.get(i, ""))

    def land(gains: dict[int, float]) -> list[Landing]:
        filled = _filled([gains.get(i) for i in range(len(levels))], prepared.sections)
        return levels_after_limiting(prepared, filled, level.ceiling)

    found: dict[int, Found] = {}
    for _ in range(3):
        goals = {i: goal(i, lufs) for i, lufs in measured.items() if lufs is not None}
        found = _in_step({i: search(one) for i, one in goals.items()}, land)
        firsts = {i: one.gain_db for i, one in found.items()}
        stops = {i: one.stopped_by for i, one in found.items()}
        if len(found) < 2 or _all_landed(asked, found, land(firsts)):
            break
    return GainPlan(
        prepared,
        tuple(
            _track_gain(found[i], asked[i], trims[i], one.lufs)
            if i in found
            else TrackGain(None, None, too_short=True)
            for i, one in enumerate(levels)
        ),
    )


def _all_landed(
    asked: dict[int, float], found: dict[int, Found], landings: Sequence[Landing]
) -> bool:
    """Check that tracks which share a limiter still land when each has its found gain."""
    return all(
        one.stopped_by or abs(landings[i].lufs - asked[i]) <= CLOSE_ENOUGH_LU
        for i, one in found.items()
    )


def _in_step(
    searches: dict[int, Search], land: Callable[[dict[int, float]], list[Landing]]
) -> dict[int, Found]:
    """Run the searches of a passage's tracks together: one rendering answers them all."""
    found: dict[int, Found] = {}
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


def _track_gain(
    found: Found, asked_lufs: float, trim: float, source_lufs: float | None
) -> TrackGain:
    light = None if found.light_lufs is None else found.light_lufs - trim
    return TrackGain(
        gain_db=found.gain_db,
        asked_lufs=asked_lufs,
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
        What is asked.
    passages, sources
        All passages, with the levels of their tracks before gain.
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
            for prepared, levels in self._passages
            for one, trim in zip(levels, _trims(prepared), strict=True)
        )

    def land(self, gain_db: float) -> Landing:
        """Measure what a gain comes to: the loudest track, and the balance between all."""
        limited = [pair for pair in self._passages if self._must_be_limited(gain_db, *pair)]
        ceiling = self._level.ceiling

        def levels_of(prepared: RenderedPassage) -> list[Landing]:
            gains = [gain_db + trim for trim in _trims(prepared)]
            return levels_after_limiting(prepared, gains, ceiling)

        found = dict(
            zip(
                (id(p) for p, _ in limited),
                self._run(levels_of, [p for p, _ in limited]),
                strict=True,
            )
        )
        loudest, reduction_db = -99.0, 0.0
        lost: list[tuple[float, int]] = []
        for prepared, levels in self._passages:
            landings = found.get(id(prepared))
            for i, (one, section) in enumerate(zip(levels, prepared.sections, strict=True)):
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
        self, gain_db: float, prepared: RenderedPassage, levels: Sequence[SourceLevel]
    ) -> bool:
        """Check whether limiting of a passage can change the loudest track or the balance."""
        for one, trim in zip(levels, _trims(prepared), strict=True):
            over_db = gain_db - _free_db(one, trim, self._level.ceiling) - _BETWEEN_SAMPLES_DB
            near = one.lufs is not None and one.lufs >= self.loudest_lufs - NEAR_LOUDEST_LU
            if over_db > (-_BETWEEN_SAMPLES_DB if near else _NOT_HEARD_DB):
                return True
        return False


def _match_album(
    level: Level,
    passages: Sequence[RenderedPassage],
    sources: Sequence[Sequence[SourceLevel]],
    run: Run,
    guess: Sequence[GainPlan] | None,
) -> list[GainPlan]:
    """Find the one gain that lands the loudest track on the target; trims come on top.

    It is capped where the limiter would take so much from one track that the balances are lost.
    """
    if all(one.too_short for levels in sources for one in levels):
        return [_unmatched(*pair) for pair in zip(passages, sources, strict=True)]
    album = _Album(level, passages, sources, run)
    unlimited_db = level.target - album.loudest_lufs
    first_db, stopped_by = unlimited_db, _NOTHING
    if guess:
        first_db = guess[0].gains_db[0] - _trims(guess[0].prepared)[0]
        stopped_by = guess[0].tracks[0].stopped_by
    goal = Goal(level.target, album.loudest_lufs, album.free_db, first_db, stopped_by)
    found = _in_step({0: search(goal)}, lambda gains: [album.land(gains[0])])[0]
    return [
        GainPlan(
            prepared,
            tuple(
                _album_track(found, unlimited_db, one, trim)
                for one, trim in zip(levels, _trims(prepared), strict=True)
            ),
        )
        for prepared, levels in zip(passages, sources, strict=True)
    ]


def _album_track(found: Found, unlimited_db: float, source: SourceLevel, trim: float) -> TrackGain:
    if source.too_short or source.lufs is None:
        short = TrackGain(found.gain_db + trim, None, too_short=True)
        return replace(short, stopped_by=found.stopped_by)
    asked_lufs = source.lufs + unlimited_db + trim
    gain = _track_gain(found, asked_lufs, 0.0, source.lufs)
    return replace(gain, gain_db=found.gain_db + trim)
