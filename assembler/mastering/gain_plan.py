"""The gains of a passage's tracks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from assembler.mastering.gain_search import StopReason
from assembler.mastering.passage import RenderedPassage
from assembler.mastering.track_levels import SourceLevel
from assembler.preflight.track_section import TrackSection


@dataclass(frozen=True)
class TrackGain:
    """The gain that the match found for one track."""

    gain_db: float | None
    """Match and trim together; None for a short track, which gets the gain of its neighbours."""
    target_lufs: float | None
    """Loudness to reach; None for silence without a match, and for short tracks."""
    source_lufs: float | None = None
    """Loudness before gain."""
    stopped_by: StopReason = ""
    """Why the gain stopped below the target; see `SearchResult`."""
    most_limited: int | None = None
    """Index in the manifest of the track that set an album's cap."""
    light_target_lufs: float | None = None
    """Target at which gain reduction would be light; None where it is."""
    too_short: bool = False
    """Too short to measure; it gets the gain of its neighbours."""
    album_db: float | None = None
    """The gain of the whole album, without trim, where it has one."""
    unheld_db: float | None = None
    """The gain without the approval's hold; None where nothing is held."""


@dataclass(frozen=True)
class GainPlan:
    """Gains of one passage, one per track."""

    rendered: RenderedPassage
    tracks: tuple[TrackGain, ...]

    @property
    def gains_db(self) -> tuple[float, ...]:
        """Match and trim together, one per track."""
        return tuple(track.gain_db or 0.0 for track in self.tracks)

    @property
    def held(self) -> tuple[float, ...]:
        """The gains that an approval holds; empty without a hold."""
        return self.gains_db if any(one.unheld_db is not None for one in self.tracks) else ()


def trims_of(rendered: RenderedPassage) -> list[float]:
    """Return the trim of each track of a passage."""
    return [float(section.track.trim) for section in rendered.sections]


def without_match(rendered: RenderedPassage, levels: Sequence[SourceLevel]) -> GainPlan:
    """Return a passage's gains where nothing is matched: the trims alone."""
    return GainPlan(
        rendered,
        tuple(
            TrackGain(trim, None if level.lufs is None else level.lufs + trim, level.lufs)
            for level, trim in zip(levels, trims_of(rendered), strict=True)
        ),
    )


def with_neighbours(matched: Sequence[GainPlan]) -> list[GainPlan]:
    """Return the plans with a gain for short tracks: the mean of their neighbours, plus trim.

    Without a measured neighbour it is the trim alone.
    """
    sections = [section for one in matched for section in one.rendered.sections]
    gains = iter(fill_missing([track.gain_db for one in matched for track in one.tracks], sections))
    return [
        replace(one, tracks=tuple(replace(track, gain_db=next(gains)) for track in one.tracks))
        for one in matched
    ]


def fill_missing(gains_db: Sequence[float | None], sections: Sequence[TrackSection]) -> list[float]:
    """Return gains with missing ones filled in from the nearest on either side."""
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
