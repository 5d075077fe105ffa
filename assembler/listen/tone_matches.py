"""Tone matches that were measured before, for previews of a revision that changes none of them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace

from assembler.preflight.check import CheckReport
from assembler.preflight.tone import tone_settings
from assembler.preflight.track_section import ToneMatch, TrackSection


class ToneMatches:
    """The tone matches of the revisions so far, by what each is made of."""

    def __init__(self) -> None:
        self._known: dict[str, ToneMatch] = {}

    def note(self, report: CheckReport) -> None:
        """Keep the tone matches that a check has measured."""
        for section in report.sections:
            if section.tone and section.tone.before_db is not None:
                self._known[_made_of(report, section)] = section.tone

    def applied(self, report: CheckReport) -> CheckReport:
        """Return a check's report with the tone matches that are known."""
        if not any(section.tone for section in report.sections):
            return report

        def matched(sections: Iterable[TrackSection]) -> tuple[TrackSection, ...]:
            return tuple(
                replace(one, tone=self._known.get(_made_of(report, one), one.tone))
                if one.tone
                else one
                for one in sections
            )

        editions = {
            name: replace(one, sections=matched(one.sections))
            for name, one in report.editions.items()
        }
        return replace(report, sections=matched(report.sections), editions=editions)


def _made_of(report: CheckReport, section: TrackSection) -> str:
    """Return what a tone match depends on, but for the contents of the recordings."""
    number, sections = section.track.tone_like, report.sections
    references = [one for one in sections if number is None or one.index == number - 1]
    manifest = report.source.manifest
    parts = [[one.names, tone_settings(manifest, one)] for one in (section, *references)]
    return json.dumps(parts)
