"""What can be played while the manifest has errors: every track whose own sound has none."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from assembler.findings import Finding, errors_in, where_text
from assembler.preflight.check import CheckReport
from assembler.preflight.editions import partial_editions

_OF_THE_SOUND = (
    *("audio", "from", "start", "end", "fade_in", "fade_out", "overlap"),
    *("equaliser", "tone", "tone_like"),
)
"""Keys of a track whose errors concern its sound."""


@dataclass(frozen=True)
class Playable:
    """The part of a release that can be played.

    Attributes
    ----------
    report
        The check, with the tracks that can be played; where some can't, its editions lack them.
    errors
        By index of each track that can't be played: the first error that concerns its sound.
    can_be_finished
        No error concerns any sound or gain, so that the tracks are those of a build.
    """

    report: CheckReport
    errors: Mapping[int, Finding]
    can_be_finished: bool


def playable(report: CheckReport) -> Playable:
    """Return what can be played of a release: other errors than those of sound don't matter."""
    errors: dict[int, Finding] = {}
    for finding in errors_in(report.findings):
        for index in _silenced(report, finding):
            errors.setdefault(index, finding)
    sections = {one.index: one for one in report.found if one and one.index not in errors}
    is_held = any(finding.where == "level.hold" for finding in errors_in(report.findings))
    if not report.editions or errors:
        editions = partial_editions(report.source, sections)
        report = replace(report, sections=tuple(sections.values()), editions=editions)
    is_whole = not errors and all(one.tracks for one in report.editions.values())
    return Playable(report, errors, is_whole and not is_held)


def _silenced(report: CheckReport, finding: Finding) -> Iterator[int]:
    """Yield the tracks whose sound an error concerns."""
    for index, track in enumerate(report.source.manifest.tracks):
        places = [where_text(("tracks", index, key)) for key in _OF_THE_SOUND]
        if track.side:
            places.append(where_text(("transfers", track.side)))
        if any(_is_in(finding.where, place) for place in places):
            yield index


def _is_in(where: str, place: str) -> bool:
    """Return whether a place in the manifest is another, or inside it."""
    return where == place or where.startswith((f"{place}.", f"{place}["))
