"""A stretch of a passage as it would be delivered, without rendering the rest of the passage.

The sound before the stretch is run up to, so that filters and limiter are settled: the limiter's
slow mean has a time constant of 0.9 s. The result differs from the finished file by its dither, and
where gain reduction began before the run-up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from assembler.dsp.blocks import Pcm, skip
from assembler.dsp.dither import Quantizer
from assembler.dsp.dynamic_band import dynamic
from assembler.dsp.equaliser import equalise
from assembler.dsp.limiter import LimiterSettings
from assembler.dsp.resample import position_at
from assembler.listen.stretch import Stretch
from assembler.mastering.gain_reduction import COURSE_STEPS_PER_SECOND, GainReductionLog
from assembler.mastering.limiting import limited
from assembler.mastering.passage import RenderedPassage, compressions_of, with_silence
from assembler.preflight.track_section import TrackSection

RUN_UP_S = 3.0
Course = tuple[float, ...]
"""Gain reduction, the maximum of each 0.1 s in dB."""


@dataclass(frozen=True)
class RegionPreview:
    """A track's region of its passage, rendered stretch by stretch.

    Attributes
    ----------
    rendered, region
        The passage, and which of its tracks.
    bits
        Word length.
    limiter
        Its settings.
    gains_db
        Gain of each of the passage's tracks.
    """

    rendered: RenderedPassage
    region: int
    bits: int
    limiter: LimiterSettings
    gains_db: tuple[float, ...]

    @property
    def rate_hz(self) -> int:
        """Sample rate."""
        return self.rendered.rate_hz

    @property
    def length(self) -> int:
        """Length of the track's file, in samples."""
        return self.rendered.region_lengths[self.region]

    def stretch(self, start: int, end: int) -> Stretch:
        """Render a stretch, counted from the region's start."""
        begin = (0, *self.rendered.cuts)[self.region]
        whole = begin + start, begin + end
        pcm = preview(self.rendered, self.gains_db, self.limiter, whole, self.bits)
        return Stretch(pcm, self.rate_hz, self.bits, exact=False)

    def reductions(self, start: int, end: int) -> tuple[Course, Course | None]:
        """Measure the gain reduction of limiter and compressor in a stretch.

        It begins at a step of 0.1 s. Without a compressor its course is None.
        """
        begin = (0, *self.rendered.cuts)[self.region]
        run_up = max(0, begin + start - round(RUN_UP_S * self.rate_hz))
        short, first, origin = _cut(self.rendered, run_up, begin + end)
        edges = (begin + start - origin, begin + end - origin)
        log, gains = GainReductionLog(self.rate_hz, edges), self.gains_db[first:]
        for _ in limited(short, gains[: len(short.sections)], self.limiter, log):
            pass
        compression = compressions_of(short)[self.region - first]
        if compression is None:
            return log.tracks()[1].course_db, None
        begins = (0, *short.parts)[self.region - first]
        edges = (edges[0] - begins, edges[1] - begins)
        return log.tracks()[1].course_db, course_part(compression.course_db, *edges, self.rate_hz)


@dataclass(frozen=True)
class Reductions:
    """Gain reduction of a stretch, the maximum of each 0.1 s in dB.

    Attributes
    ----------
    limiter
        Of the limiter.
    compressor
        Of the track's compressor; None without one.
    bands
        Of each dynamic band, by its number from 1 in the track's EQ.
    """

    limiter: Course
    compressor: Course | None
    bands: dict[int, Course]


def band_courses(section: TrackSection, start_s: float, end_s: float) -> dict[int, Course]:
    """Measure the gain reduction of a section's dynamic bands in a stretch, by number from 1."""
    numbers = [n for n, band in enumerate(section.bands, 1) if band.dynamic]
    if not numbers:
        return {}
    recording, rate_hz = section.recording, section.recording.rate_hz
    first, last = (section.start + round(edge * rate_hz) for edge in (start_s, end_s))
    last = min(last, section.end)
    read_from = max(0, first - round(RUN_UP_S * rate_hz))
    logs = {n: GainReductionLog(rate_hz, (first - read_from, last - read_from)) for n in numbers}
    sound = recording.blocks(read_from, last)
    for n, band in enumerate(section.bands[: numbers[-1]], 1):
        if n in logs:
            sound = dynamic(sound, band, rate_hz, logs[n].add)
        else:
            sound = equalise(sound, [band], rate_hz)
    for _ in sound:
        pass
    return {n: log.tracks()[1].course_db for n, log in logs.items()}


def course_part(course: Sequence[float], start: int, end: int, rate_hz: int) -> Course:
    """Return the steps of 0.1 s of a course that a stretch reaches into."""
    step = rate_hz // COURSE_STEPS_PER_SECOND
    return tuple(course[max(0, start) // step : -(-max(0, end) // step)])


def preview(
    rendered: RenderedPassage,
    gains_db: Sequence[float],
    limiter: LimiterSettings,
    span: tuple[int, int],
    bits: int,
) -> Pcm:
    """Render a stretch of a passage.

    Parameters
    ----------
    rendered
        The passage.
    gains_db
        Gain of each of its tracks.
    limiter
        Its settings.
    span
        First sample, and the one after the last.
    bits
        Word length.

    Returns
    -------
    ndarray of int32, shape (frames, 2)
        Not yet the finished PCM: dithered from another seed.
    """
    start, end = span
    run_up = max(0, start - round(RUN_UP_S * rendered.rate_hz))
    short, first, origin = _cut(rendered, run_up, end)
    gains = [gains_db[i] for i in range(first, first + len(short.sections))]
    sound = limited(short, gains, limiter)
    found = skip(with_silence(sound, end - origin), start - origin, end - start)
    joined = np.concatenate([np.zeros((0, 2), np.float32), *found])
    return Quantizer(bits, 0, rate_hz=rendered.rate_hz).quantize(joined).astype(np.int32)


def _cut(rendered: RenderedPassage, start: int, end: int) -> tuple[RenderedPassage, int, int]:
    """Return a passage without what is before and after a stretch.

    Returns
    -------
    cut, first, origin
        The shorter passage, the index of its first track, and the sample of the passage with which
        it begins: at `start`, or before it in a fade.
    """
    begins = [0]
    for length, overlap in zip(rendered.lengths, (*rendered.overlaps[1:], 0), strict=True):
        begins.append(begins[-1] + length - overlap)
    ends = [a + b for a, b in zip(begins, rendered.lengths, strict=False)]
    kept = [i for i, e in enumerate(ends) if begins[i] < end and e > start] or [len(ends) - 1]
    sections = [rendered.sections[i] for i in kept]
    lengths = [rendered.lengths[i] for i in kept]
    overlaps = [0, *(rendered.overlaps[i] for i in kept[1:])]
    most = lengths[0] - 1 - (overlaps[1] if len(kept) > 1 else 0)
    faded_in = max(round(sections[0].fade_in_s * rendered.rate_hz), rendered.overlaps[kept[0]])
    head = min(start - begins[kept[0]], most)
    if head > faded_in:
        sections[0], head = _without_head(sections[0], head, rendered.rate_hz)
        lengths[0] -= head
    else:
        head = 0
    sections[-1] = _without_tail(sections[-1], ends[kept[-1]] - end, rendered.rate_hz)
    lengths[-1] = sections[-1].samples_at(rendered.rate_hz)
    short = replace(
        rendered,
        sections=tuple(sections),
        file=rendered.file.with_name(f"{rendered.file.stem}-{start}-{end}.f32"),
        lengths=tuple(lengths),
        overlaps=tuple(overlaps),
        cuts=(),
    )
    return short, kept[0], begins[kept[0]] + head


def _without_head(section: TrackSection, head: int, rate_hz: int) -> tuple[TrackSection, int]:
    """Return a section that begins later, and by how many samples at a rate it is shorter."""
    start = section.start + position_at(head, rate_hz, section.recording.rate_hz)
    later = replace(section, start=start, fade_in_s=Fraction(0))
    return later, section.samples_at(rate_hz) - later.samples_at(rate_hz)


def _without_tail(section: TrackSection, tail: int, rate_hz: int) -> TrackSection:
    """Return a section that ends 1 s after a stretch, unless its fade-out begins before that."""
    tail -= rate_hz
    if tail <= round(section.fade_out_s * rate_hz):
        return section
    end = section.end - position_at(tail, rate_hz, section.recording.rate_hz)
    return replace(section, end=end, fade_out_s=Fraction(0))
