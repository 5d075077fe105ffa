"""The sound that the page plays: the finished PCM of a build, or a preview until that is there.

Until a track's gain is settled, a stretch of it is rendered at once with the best gain that is
known.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import numpy as np

from assembler.cache.folder import CacheFolder
from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.listen.settling import Kind, Settled, Settler, played_masters
from assembler.listen.side_sound import (
    Steps,
    removed_stretch,
    restored_stretch,
    source_stretch,
    with_live_sides,
)
from assembler.listen.stretch import NoSoundError, Stretch, span
from assembler.listen.stretches import Reductions, RegionPreview, band_courses, course_part
from assembler.listen.tone_matches import ToneMatches
from assembler.manifest import Track
from assembler.mastering.limiting import limiter_of
from assembler.mastering.passage import prepare
from assembler.mastering.plan import Plan, plan_release
from assembler.mastering.render import FinishedTrack
from assembler.preflight.check import CheckReport
from assembler.preflight.playable import playable
from assembler.preflight.track_section import TrackSection
from assembler.restoration.chain import Resolved


class Sound:
    """Plays the current revision, and settles it in the background.

    An error stops what it concerns: a track's own sound, or the finishing of all.

    Parameters
    ----------
    cache
        The user's cache.
    scratch
        Folder for unfinished work.
    changed
        Called from the background when something was finished.
    steps
        Returns the restoration steps of a side as far as they are known.
    whole_side
        Held while a whole side is read.
    gains_db
        The gain of each track in the last session without its trim, by its title.

    Attributes
    ----------
    is_finishing
        No error keeps the tracks from being finished.
    """

    def __init__(
        self,
        cache: CacheFolder,
        scratch: Path,
        changed: Callable[[], None],
        steps: Steps,
        whole_side: threading.Lock,
        gains_db: Mapping[str, float] | None = None,
    ) -> None:
        self._gains_db = gains_db or {}
        self._scratch = scratch
        self._steps = steps
        self._lock = threading.Lock()
        self._settler = Settler(cache, scratch, changed, whole_side)
        self._tone_matches = ToneMatches()
        self._provisional: tuple[CheckReport, Plan] | None = None
        self._exact: tuple[CheckReport, Plan] | None = None
        self._errors: Mapping[int, Finding] = {}
        self._number = 0
        self.is_finishing = False

    def settle(self, report: CheckReport) -> None:
        """Begin to finish a revision in place of the one before."""
        with self._lock:
            if self.settled.report:
                self._tone_matches.note(self.settled.report)
            found = playable(report)
            live = with_live_sides(self._tone_matches.applied(found.report), self._steps)
            self._provisional = live, plan_release(live)
            self._errors, self.is_finishing = found.errors, found.can_be_finished
            self._exact = None
            self._number += 1
            self._settler.begin(report if self.is_finishing else None)

    def load_code(self) -> None:
        """Render a moment of the first track: what renders and filters it is loaded by then."""
        from assembler.dsp.biquads import StereoCascade

        StereoCascade([]).filter(np.zeros((1, 2), np.float32))  # for a first EQ band
        with suppress(AssemblerError, OSError):
            place = self._place("track", 0)
            place.stretch(0, min(place.length, place.rate_hz // 10))

    def close(self) -> None:
        """End all work."""
        self._settler.close()

    @property
    def settled(self) -> Settled:
        """What is finished of this revision."""
        return self._settler.settled

    def last(self, kind: Kind, track: Track) -> FinishedTrack | None:
        """Return a track as it was finished last, of this revision or one before."""
        return self._settler.last.get((kind, track.full_title))

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
        known = self.settled.tracks.get(("track", index))
        place = self._place("track", index)
        start, end = span(place.length, place.rate_hz, start_s, end_s)
        if known:
            pcm = np.concatenate([np.zeros((0, 2), np.int32), *known.pcm(place.bits, start, end)])
            return Stretch(pcm, known.rate_hz, place.bits, exact=True)
        return place.stretch(start, end)

    def reductions(self, index: int, start_s: float, end_s: float | None) -> Reductions:
        """Return the gain reduction of a stretch of a track's finished file; see `track`."""
        known = self.settled.tracks.get(("track", index))
        place = self._place("track", index)
        edges = span(place.length, place.rate_hz, start_s, end_s)
        bands = band_courses(self.section(index), *(edge / place.rate_hz for edge in edges))
        if known is None:
            return Reductions(*place.reductions(*edges), bands)
        limiter = course_part(known.gain_reduction.course_db, *edges, place.rate_hz)
        compressor = None
        if known.compression:
            compressor = course_part(known.compression.course_db, *edges, place.rate_hz)
        return Reductions(limiter, compressor, bands)

    def join(self, before: int, index: int, before_s: float, after_s: float) -> Stretch:
        """Return the end of a track and the beginning of the next, as the disc has them.

        Parameters
        ----------
        before, index
            Indexes in the manifest of the two tracks.
        before_s, after_s
            How much before and after its start.

        Raises
        ------
        NoSoundError
            The tracks do not follow each other on a disc.
        """
        for one in (before, index):
            self.section(one)
        pairs = (pair for disc in self._known[0].discs for pair in pairwise(disc.places))
        if (before, index) not in [(first.index, second.index) for first, second in pairs]:
            raise NoSoundError("a join is between a track and the next on its disc")
        first, second = (self._place("join", i) for i in (before, index))
        start, end = span(
            first.length, first.rate_hz, first.length / first.rate_hz - before_s, None
        )
        until = span(second.length, second.rate_hz, 0, after_s)[1]
        known = [self.settled.tracks.get(("join", i)) for i in (before, index)]
        if known[0] and known[1]:
            parts = [*known[0].pcm(first.bits, start, end), *known[1].pcm(first.bits, 0, until)]
            return Stretch(np.concatenate(parts), first.rate_hz, first.bits, exact=True)
        if first.rendered.passage == second.rendered.passage:
            return first.stretch(start, first.length + until)
        parts = [first.stretch(start, end).pcm, second.stretch(0, until).pcm]
        return Stretch(np.concatenate(parts), first.rate_hz, first.bits, exact=False)

    def source(self, index: int, start_s: float, end_s: float | None) -> Stretch:
        """Return a stretch of a track's recording, before EQ, gain and fades.

        Times count from the start of the track; what is cut off before and after it can be played
        too, and where the recording has nothing there is silence.
        """
        return source_stretch(self.section(index), start_s, end_s)

    def restored(
        self, index: int, start_s: float, end_s: float | None, without: Collection[str] = ()
    ) -> Stretch:
        """Return a stretch of a track of a side after restoration; see `restored_stretch`."""
        return restored_stretch(self.section(index), self._side_steps, (start_s, end_s), without)

    def removed(
        self, index: int, start_s: float, end_s: float | None, step: str | None = None
    ) -> Stretch:
        """Return what restoration removes from a stretch; see `removed_stretch`."""
        return removed_stretch(self.section(index), self._side_steps, (start_s, end_s), step)

    def section(self, index: int) -> TrackSection:
        """Return a track's section, of the restored side once there is one."""
        report, _ = self._known
        if error := self._errors.get(index):
            raise NoSoundError(f"track {index + 1} can't be played: {error.message}")
        for section in report.sections:
            if section.index == index:
                return section
        raise NoSoundError("there is no such track")

    def _side_steps(self, name: str) -> Resolved:
        """Return the steps of a side: as they were done, or as they are known now."""
        for side in self.settled.report.sides if self.settled.report else ():
            if side.name == name and "settled" in side.report:
                return Resolved.from_json(side.report["settled"])
        return self._steps(name)

    @property
    def _known(self) -> tuple[CheckReport, Plan]:
        """The check's report and the plan: exact, or with sides that are restored where read."""
        with self._lock:
            if self.settled.report and not self._exact:
                self._exact = self.settled.report, plan_release(self.settled.report)
            found = self._exact or self._provisional
        if found is None:
            raise NoSoundError("the manifest is not read yet")
        return found

    def _place(self, kind: Kind, index: int) -> RegionPreview:
        self.section(index)
        report, plan = self._known
        state = f"{self._number}-{'exact' if report is self.settled.report else 'live'}"
        for n, (bits, spec) in enumerate(played_masters(plan, kind)):
            edition = plan.edition(spec)
            for passage, rate_hz in zip(edition.passages, spec.rates_hz, strict=True):
                sections = edition.sections_of(passage)
                indices = [section.index for section in sections]
                if index in indices:
                    name = f"preview-{state}-{kind}-{n}-{indices[0]}.f32"
                    rendered = prepare(passage, sections, rate_hz, self._scratch / name)
                    gains = tuple(self._gain_db(kind, one) for one in sections)
                    region, limiter = indices.index(index), limiter_of(spec.level)
                    return RegionPreview(rendered, region, bits, limiter, gains)
        raise NoSoundError("the track is on no disc and in no download")

    def _gain_db(self, kind: Kind, section: TrackSection) -> float:
        """Return the best gain known: what the match found last, with the trim of now."""
        last, trim_db = self.last(kind, section.track), float(section.track.trim)
        if last is None:
            return trim_db + self._gains_db.get(section.track.full_title, 0.0)
        return trim_db + last.gain_db - float(last.section.track.trim)
