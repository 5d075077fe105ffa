"""Find where the songs of a side start and end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from assembler.errors import AssemblerError
from assembler.restoration.analysis.noise_floor import LEAST_FLOOR_DB, runs
from assembler.restoration.analysis.programme import STEP_S, ProgrammeReading
from assembler.restoration.split.confidence import CutFeatures, Kind, confidence_of, features_of
from assembler.restoration.split.listed_durations import (
    misfits,
    order_that_fits,
    remarks_on_durations,
)
from assembler.restoration.split.pauses import (
    Pause,
    find_pauses,
    song_end_s,
    song_start_s,
    sound_mask,
    talk_likelihood,
)
from assembler.restoration.split.split_cost import BestSplit, SpanScores, SplitSearch, span_scores
from assembler.text import duration_text

_RIVALLED = 0.7
"""If a cut is less probable than this among all splits, another is nearly as likely."""
_OTHER_SOUND_S, _FAINT_S = 0.1, 0.5
_MOST_SONGS = 99
_LEAST_SONG_S = 15.0
_FEWEST_PAUSES, _MOST_PAUSES = 150, 400
_LEAST_LEFT_OUT_S = 0.1
_LONG_SONG_S = 600.0
_TALK_SHARE = 0.2


@dataclass(frozen=True)
class Cut:
    """Start or end of a song."""

    at_s: float
    """Position in the transfer."""
    features: CutFeatures
    """Features from which the confidence is estimated."""
    why: str
    """The same as text."""

    @property
    def confidence(self) -> float:
        """The probability that it is within half a second."""
        return confidence_of(self.features)

    @property
    def in_silence(self) -> bool:
        """Whether sound starts or ends there; else the level only dips."""
        return self.features.kind != "no silence"


@dataclass(frozen=True)
class Song:
    """A song of a side."""

    begin: Cut
    end: Cut

    @property
    def start_s(self) -> float:
        """Start in seconds."""
        return self.begin.at_s

    @property
    def end_s(self) -> float:
        """End in seconds."""
        return self.end.at_s

    @property
    def confidence(self) -> float:
        """The lower confidence of its two cuts."""
        return min(self.begin.confidence, self.end.confidence)


@dataclass(frozen=True)
class LeftOut:
    """Sound outside the songs: talk, handling noise."""

    start_s: float
    end_s: float


@dataclass(frozen=True)
class Split:
    """The songs of a side."""

    songs: tuple[Song, ...]
    """In order."""
    left_out: tuple[LeftOut, ...]
    """Sound outside the songs, taken as talk or noise."""
    cost: float
    """Cost of this split, see `split_cost`; lower is better."""
    count_alone: int
    """Number of songs that would be found without a given number."""
    remarks: tuple[str, ...]
    """Remarks for the engineer, one line each."""

    def as_json(self) -> dict[str, Any]:
        """Return the split as plain data, times rounded to the millisecond."""
        return {
            "songs": [
                {
                    "start_s": round(song.start_s, 3),
                    "end_s": round(song.end_s, 3),
                    "confidence": song.confidence,
                    "begin": {"confidence": song.begin.confidence, "why": song.begin.why},
                    "end": {"confidence": song.end.confidence, "why": song.end.why},
                }
                for song in self.songs
            ],
            "left_out": [
                {"start_s": round(rest.start_s, 3), "end_s": round(rest.end_s, 3)}
                for rest in self.left_out
            ],
            "cost": round(self.cost, 3),
            "count_alone": self.count_alone,
            "remarks": list(self.remarks),
        }


def propose_songs(
    reading: ProgrammeReading,
    count: int | None = None,
    durations: Sequence[float | None] | None = None,
    name: str = "the side",
) -> Split:
    """Find the songs of a side: the split with the least cost, see `split_cost`.

    Parameters
    ----------
    reading, name
        The side's levels, and its name for messages.
    count
        Number of songs; None for the number with the least cost.
    durations
        Listed durations in seconds; used if there are as many as songs.

    Raises
    ------
    AssemblerError
        There is no song, only silence, noise or talk; or the number of songs is 0.
    """
    if count is None and durations is not None:
        count = len(durations)
    _check_for_songs(reading.restored, count, name)
    pauses, scores = _scored_pauses(
        reading, min(max(4 * (count or 0), _FEWEST_PAUSES), _MOST_PAUSES)
    )
    room = min(int(reading.length_s / _LEAST_SONG_S) + 1, _MOST_SONGS)
    search = SplitSearch(scores, min(max(count or 0, room), len(pauses) - 1))
    alone = search.likeliest_count()
    number = count or alone
    while number and not search.is_possible(number):
        number -= 1
    search, of_durations = _with_durations(search, number, durations or (), scores)
    best = search.best(number)
    talking = all(scores.talk_s[s] > _TALK_SHARE * scores.lengths_s[s] for s in best.songs)
    if talking and (count is None or not alone):
        at = f"{duration_text(pauses[0].end_s)} to {duration_text(pauses[-1].start_s)}"
        raise AssemblerError(f"{name}: no song found, only talk or noise from {at}")
    left_out = _left_out(pauses, best)
    remarks = [*_remarks_on_count(count, number, alone, pauses), *of_durations]
    remarks += ["the side sounds like talk: check that there are songs on it"] if talking else []
    remarks += [f"talk or noise at {duration_text(rest.start_s)}, left out" for rest in left_out]
    return Split(_songs(reading, pauses, best), left_out, best.cost, alone, tuple(remarks))


def _check_for_songs(reading: ProgrammeReading, count: int | None, name: str) -> None:
    if count is not None and count < 1:
        raise AssemblerError(f"{name}: the number of songs is {count}: give at least 1")
    if reading.begins_s is None:
        floor = "silence" if reading.floor_db <= LEAST_FLOOR_DB else "noise"
        raise AssemblerError(f"{name}: only {floor} found: check that this is the right file")


def _scored_pauses(reading: ProgrammeReading, most: int) -> tuple[list[Pause], SpanScores]:
    restored = reading.restored
    pauses = find_pauses(restored, sound_mask(restored), most)
    return pauses, span_scores(pauses, talk_likelihood(reading))


def _remarks_on_count(
    count: int | None, found: int, alone: int, pauses: Sequence[Pause]
) -> list[str]:
    if count is not None and found < count:
        return [f"{count} songs expected, but only {found} can be separated"]
    if not any(pause.is_silence for pause in pauses[1:-1]):
        if found > 1:
            return ["no silence between songs: cut at the quietest places; listen to every cut"]
        if not pauses[0].is_silence or pauses[-1].start_s > _LONG_SONG_S:
            return ["no silence within this side: taken as one song"]
    if count is not None and count != alone:
        more = "more" if alone > count else "fewer"
        return [f"{count} songs expected, but the pauses suggest {more}: {alone}"]
    return []


def _with_durations(
    search: SplitSearch, count: int, durations: Sequence[float | None], scores: SpanScores
) -> tuple[SplitSearch, list[str]]:
    """Return the search with listed durations, unless their order is another, and remarks."""
    if all(duration is None for duration in durations):
        return search, []
    if len(durations) != count:
        remark = f"the list has {len(durations)} durations for {count} songs: durations not used"
        return search, [remark]
    lengths = _lengths(search, count, scores)
    if len(misfits(lengths, durations)) > 1 and order_that_fits(lengths, durations):
        return search, remarks_on_durations(lengths, durations)
    search = SplitSearch(scores, count, durations)
    return search, remarks_on_durations(_lengths(search, count, scores), durations)


def _lengths(search: SplitSearch, count: int, scores: SpanScores) -> list[float]:
    return [float(scores.lengths_s[song]) for song in search.best_path(count)]


def _songs(reading: ProgrammeReading, pauses: Sequence[Pause], best: BestSplit) -> tuple[Song, ...]:
    found: list[Song] = []
    for number, (first, last) in enumerate(best.songs):
        before, after = pauses[first], pauses[last]
        start_s, end_s = before.end_s, after.start_s
        if before.is_silence:
            start_s = song_start_s(reading, before.start_s, before.end_s)
        if after.is_silence:
            end_s = song_end_s(reading, after.start_s, after.end_s)
        if found and found[-1].end_s > start_s:
            found[-1] = replace(found[-1], end=replace(found[-1].end, at_s=start_s))
        end_s = min(end_s, reading.length_s)
        share = float(best.begins[number, first])
        begin = _cut("begin", reading, before, start_s, share, outermost=first == 0)
        share = float(best.ends[number, last])
        end = _cut("end", reading, after, end_s, share, outermost=last == len(pauses) - 1)
        found.append(Song(begin, end))
    return tuple(found)


def _cut(
    kind: Kind,
    reading: ProgrammeReading,
    pause: Pause,
    at_s: float,
    share: float,
    *,
    outermost: bool,
) -> Cut:
    """Return a start or end of a song, see `features_of`."""
    features = features_of(kind, reading, pause, at_s, share, outermost=outermost)
    return Cut(at_s, features, _why(pause, features))


def _why(pause: Pause, features: CutFeatures) -> str:
    """Return what is at a cut, and what makes it uncertain."""
    if features.outermost:
        why = "only noise beyond it" if pause.is_silence else "the side starts or ends in sound"
    elif pause.is_silence:
        why = f"{pause.quiet_s:.1f} s of silence"
    else:
        why = f"no silence: the level stays {pause.over_floor_db:.0f} dB above the noise"
    if features.probability < _RIVALLED:
        why += ", another cut is nearly as likely"
    if features.outside_s >= _OTHER_SOUND_S:
        why += ", other sound next to it"
    if features.faint_s >= _FAINT_S:
        why += f", {features.faint_s:.1f} s of faint sound at the edge"
    return why


def _left_out(pauses: Sequence[Pause], best: BestSplit) -> tuple[LeftOut, ...]:
    ends = [0, *(last for _, last in best.songs)]
    begins = [*(first for first, _ in best.songs), len(pauses) - 1]
    between = [
        LeftOut(pauses[a].end_s, pauses[b].start_s) for a, b in zip(ends, begins, strict=True)
    ]
    return tuple(rest for rest in between if rest.end_s - rest.start_s >= _LEAST_LEFT_OUT_S)


def trimmed(reading: ProgrammeReading, start_s: float, end_s: float) -> tuple[float, float]:
    """Return start and end of a section, trimmed to its sound; without any it stays as it is.

    Parameters
    ----------
    reading, start_s, end_s
        The side's levels, and the section.
    """
    first, last = (round(time_s / STEP_S) for time_s in (start_s, end_s))
    spans = runs(sound_mask(reading)[first:last])
    if not len(spans):
        return start_s, end_s
    sound_s = start_s + spans[0, 0] * STEP_S, start_s + spans[-1, 1] * STEP_S
    begin_s = song_start_s(reading, start_s, sound_s[0]) if spans[0, 0] else start_s
    tail_s = song_end_s(reading, sound_s[1], end_s) if spans[-1, 1] < last - first else end_s
    return max(begin_s, start_s), min(tail_s, end_s)
