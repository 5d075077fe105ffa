"""Where the songs of a side begin and end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from assembler.errors import AssemblerError
from assembler.restoration.analysis.noise_floor import LEAST_FLOOR_DB, runs
from assembler.restoration.analysis.programme import STEP_S, ProgrammeReading
from assembler.restoration.split.confidence import (
    Signs,
    confidence_of,
    signs_of_begin,
    signs_of_end,
)
from assembler.restoration.split.listed_durations import (
    misfits,
    order_that_fits,
    remarks_on_durations,
)
from assembler.restoration.split.pauses import (
    Pause,
    begins_at,
    ends_at,
    find_pauses,
    sound_of,
    talk_course,
)
from assembler.restoration.split.split_cost import Chosen, Splits, Stretches, stretches
from assembler.text import duration_text

_RIVALLED = 0.7
"""Where a cut is less probable than this among all splits, another is nearly as likely."""
_OTHER_SOUND_S, _FAINT_S = 0.1, 0.5
_MOST_SONGS = 99
_LEAST_SONG_S = 15.0
_FEWEST_PAUSES, _MOST_PAUSES = 150, 400
_LEAST_TOLD_S = 0.1
_LONG_SONG_S = 600.0
_TALK_SHARE = 0.2


@dataclass(frozen=True)
class Cut:
    """Where a song begins or ends.

    Attributes
    ----------
    at_s
        On the clock of the transfer.
    signs
        What speaks for it or against it.
    why
        The same in plain words.
    """

    at_s: float
    signs: Signs
    why: str

    @property
    def confidence(self) -> float:
        """The probability that it is within half a second."""
        return confidence_of(self.signs)

    @property
    def in_silence(self) -> bool:
        """Sound ends or begins there; else the side is cut where it only grows softer."""
        return self.signs.kind != "no silence"


@dataclass(frozen=True)
class Song:
    """A song of a side."""

    begin: Cut
    end: Cut

    @property
    def start_s(self) -> float:
        """Where it begins."""
        return self.begin.at_s

    @property
    def end_s(self) -> float:
        """Where it ends."""
        return self.end.at_s

    @property
    def confidence(self) -> float:
        """That of the less certain of its two cuts."""
        return min(self.begin.confidence, self.end.confidence)


@dataclass(frozen=True)
class LeftOut:
    """Sound that belongs to no song: talk, noise of handling."""

    start_s: float
    end_s: float


@dataclass(frozen=True)
class Split:
    """The songs of a side.

    Attributes
    ----------
    songs
        In their order.
    left_out
        Sound outside them that is taken for talk or noise.
    cost
        Of this split, as `split_cost` states it; lower is better.
    count_alone
        How many songs the side would be split into if no number were given.
    remarks
        What the person should know, a line each.
    """

    songs: tuple[Song, ...]
    left_out: tuple[LeftOut, ...]
    cost: float
    count_alone: int
    remarks: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Give it as a document: seconds, rounded to the thousandth."""
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
    """Find the songs of a side: the split that costs least, as `split_cost` states the cost.

    Parameters
    ----------
    reading
        The side's levels.
    count
        How many songs there are; None leaves it to the cost.
    durations
        Seconds that a list gives each song; used where there are as many as songs.
    name
        Of the side, for messages.

    Raises
    ------
    AssemblerError
        There is no song: silence, talk alone; or no song is asked for.
    """
    if count is None and durations is not None:
        count = len(durations)
    _refuse_nothing(reading.restored, count, name)
    pauses, weighed = _weighed(reading, min(max(4 * (count or 0), _FEWEST_PAUSES), _MOST_PAUSES))
    room = min(int(reading.length_s / _LEAST_SONG_S) + 1, _MOST_SONGS)
    plain = Splits(weighed, min(max(count or 0, room), len(pauses) - 1))
    alone = plain.likeliest_count()
    wanted = count or alone
    while wanted and not plain.possible(wanted):
        wanted -= 1
    splits, off = _with_durations(plain, wanted, durations or (), weighed)
    chosen = splits.chosen(wanted)
    talking = all(weighed.talk_s[s] > _TALK_SHARE * weighed.lengths_s[s] for s in chosen.songs)
    if talking and (count is None or not alone):
        at = f"{duration_text(pauses[0].end_s)} to {duration_text(pauses[-1].start_s)}"
        raise AssemblerError(f"{name}: no song is found, only talk or noise from {at}")
    left_out = _left_out(pauses, chosen)
    remarks = [*_remarks_on_count(count, wanted, alone, pauses), *off]
    remarks += ["all of it comes in syllables: is it talk?"] if talking else []
    remarks += [f"talk or noise at {duration_text(rest.start_s)}, left out" for rest in left_out]
    return Split(_songs(reading, pauses, chosen), left_out, chosen.cost, alone, tuple(remarks))


def _refuse_nothing(reading: ProgrammeReading, count: int | None, name: str) -> None:
    if count is not None and count < 1:
        raise AssemblerError(f"{name}: no song is asked for: name one at least")
    if reading.begins_s is None:
        floor = "silence" if reading.floor_db <= LEAST_FLOOR_DB else "noise"
        raise AssemblerError(f"{name}: holds nothing but {floor}: is it the right file?")


def _weighed(reading: ProgrammeReading, most: int) -> tuple[list[Pause], Stretches]:
    restored = reading.restored
    pauses = find_pauses(restored, sound_of(restored), most)
    return pauses, stretches(pauses, talk_course(reading))


def _remarks_on_count(
    count: int | None, found: int, alone: int, pauses: Sequence[Pause]
) -> list[str]:
    if count is not None and found < count:
        return [f"{count} songs are named, no more than {found} can be told apart"]
    if not any(pause.is_silence for pause in pauses[1:-1]):
        if found > 1:
            return ["there is no silence between songs: cut at the quietest places, hear each one"]
        if not pauses[0].is_silence or pauses[-1].start_s > _LONG_SONG_S:
            return ["there is no silence inside this side: it is taken for one song"]
    if count is not None and count != alone:
        more = "more" if alone > count else "fewer"
        return [f"{count} songs are named; by its pauses the side has {more}: {alone}"]
    return []


def _with_durations(
    plain: Splits, count: int, durations: Sequence[float | None], weighed: Stretches
) -> tuple[Splits, list[str]]:
    """Take listed durations into account, unless they belong to another order."""
    if all(duration is None for duration in durations):
        return plain, []
    if len(durations) != count:
        told = f"{len(durations)} durations are listed for {count} songs: they are not used"
        return plain, [told]
    lengths = _lengths(plain, count, weighed)
    if len(misfits(lengths, durations)) > 1 and order_that_fits(lengths, durations):
        return plain, remarks_on_durations(lengths, durations)
    splits = Splits(weighed, count, durations)
    return splits, remarks_on_durations(_lengths(splits, count, weighed), durations)


def _lengths(splits: Splits, count: int, weighed: Stretches) -> list[float]:
    return [float(weighed.lengths_s[song]) for song in splits.way(count)]


def _songs(reading: ProgrammeReading, pauses: Sequence[Pause], chosen: Chosen) -> tuple[Song, ...]:
    found: list[Song] = []
    for number, (first, last) in enumerate(chosen.songs):
        before, after = pauses[first], pauses[last]
        start_s, end_s = before.end_s, after.start_s
        if before.is_silence:
            start_s = begins_at(reading, before.start_s, before.end_s)
        if after.is_silence:
            end_s = ends_at(reading, after.start_s, after.end_s)
        if found and found[-1].end_s > start_s:
            found[-1] = replace(found[-1], end=replace(found[-1].end, at_s=start_s))
        outermost, share = first == 0, float(chosen.begins[number, first])
        signs = signs_of_begin(reading, before, start_s, share, outermost=outermost)
        begin = Cut(start_s, signs, _why(before, signs))
        outermost, share = last == len(pauses) - 1, float(chosen.ends[number, last])
        end_s = min(end_s, reading.length_s)
        signs = signs_of_end(reading, after, end_s, share, outermost=outermost)
        found.append(Song(begin, Cut(end_s, signs, _why(after, signs))))
    return tuple(found)


def _why(pause: Pause, signs: Signs) -> str:
    """Say what is at a cut, and what makes it less than certain."""
    if signs.outermost:
        why = "nothing but noise beyond" if pause.is_silence else "the side begins or ends in sound"
    elif pause.is_silence:
        why = f"{pause.quiet_s:.1f} s of silence"
    else:
        why = f"no silence: the level stays {pause.over_floor_db:.0f} dB over the noise"
    if signs.probability < _RIVALLED:
        why += ", another cut is nearly as likely"
    if signs.beyond_s >= _OTHER_SOUND_S:
        why += ", other sound beside it"
    if signs.moved_s >= _FAINT_S:
        why += f", {signs.moved_s:.1f} s of faint sound at the edge"
    return why


def _left_out(pauses: Sequence[Pause], chosen: Chosen) -> tuple[LeftOut, ...]:
    ends = [0, *(last for _, last in chosen.songs)]
    begins = [*(first for first, _ in chosen.songs), len(pauses) - 1]
    between = [
        LeftOut(pauses[a].end_s, pauses[b].start_s) for a, b in zip(ends, begins, strict=True)
    ]
    return tuple(rest for rest in between if rest.end_s - rest.start_s >= _LEAST_TOLD_S)


def narrowed(reading: ProgrammeReading, start_s: float, end_s: float) -> tuple[float, float]:
    """Let a section begin and end where its sound does; without any it stays as it is.

    Parameters
    ----------
    reading
        The side's levels.
    start_s, end_s
        The section.

    Returns
    -------
    start_s, end_s
        Within the section.
    """
    first, last = (round(time_s / STEP_S) for time_s in (start_s, end_s))
    spans = runs(sound_of(reading)[first:last])
    if not len(spans):
        return start_s, end_s
    sound_s = start_s + spans[0, 0] * STEP_S, start_s + spans[-1, 1] * STEP_S
    begin_s = begins_at(reading, start_s, sound_s[0]) if spans[0, 0] else start_s
    tail_s = ends_at(reading, sound_s[1], end_s) if spans[-1, 1] < last - first else end_s
    return max(begin_s, start_s), min(tail_s, end_s)
