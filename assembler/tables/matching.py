"""Match the rows of a table with tracks by title, number, duration and ISRC.

A match is of high confidence only if two facts agree, or the title is exact and no other title is,
and nothing contradicts it. Numbers are no facts where the table has its own order. All others are
proposals that a person confirms. Thresholds tuned empirically on invented tables (`tests/tables`).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from assembler.draft.listed_song import ListedSong
from assembler.draft.pairing import words_in
from assembler.draft.song_parts import VERSION_WORD
from assembler.errors import AssemblerError
from assembler.tables.title_words import EXACT, TitleWords, without_artist
from assembler.tables.tracks import TrackRow
from assembler.text import duration_text, shorten

Confidence = Literal["high", "medium", "low", "chosen"]

_NEAR = 88.0
"""Similarity from which a title and one more fact make a match, of 100."""
_SIMILAR = 75.0
_POSSIBLE = 60.0
_RIVAL = 7.0
_SAME_S, _ALONE_S, _OTHER_S, _OTHER = 2.0, 5.0, 10.0, 0.1


@dataclass(frozen=True)
class RowMatch:
    """A row, and the track that it belongs to."""

    row: ListedSong
    index: int | None = None
    """Index of the track; None where none fits."""
    confidence: Confidence | None = None
    """`chosen` where the person named row and track."""
    by: tuple[str, ...] = ()
    """What agrees."""
    similarity: float = 0.0
    """Of the titles, from 0 to 100."""
    doubt: str = ""
    """Why the match is not applied."""

    @property
    def is_applied(self) -> bool:
        """Whether the row's values are used."""
        return self.confidence in ("high", "chosen")


def match_rows(
    rows: Sequence[ListedSong], tracks: Sequence[TrackRow], chosen: Mapping[int, int]
) -> list[RowMatch]:
    """Match rows with tracks.

    Parameters
    ----------
    rows
        Of the table.
    tracks
        Of the manifest.
    chosen
        The person's own matches: a row's line, and the number of its track.

    Returns
    -------
    list of RowMatch
        One per row, in the table's order; no track is applied to two rows.

    Raises
    ------
    AssemblerError
        A chosen row or track does not exist, or a track is chosen twice.
    """
    _refuse_choices(rows, tracks, chosen)
    matching = _Matching(rows, tracks)
    return _each_track_once([matching.match(at, chosen) for at in range(len(rows))])


def _refuse_choices(
    rows: Sequence[ListedSong], tracks: Sequence[TrackRow], chosen: Mapping[int, int]
) -> None:
    lines = {row.line for row in rows}
    for line, number in chosen.items():
        if line not in lines:
            raise AssemblerError(f"--match {line}={number}: the table has no row {line}")
        if not 1 <= number <= len(tracks):
            raise AssemblerError(f"--match {line}={number}: the manifest has no track {number}")
        if list(chosen.values()).count(number) > 1:
            raise AssemblerError(f"--match: track {number} is named for two rows: name it for one")


def _each_track_once(matches: list[RowMatch]) -> list[RowMatch]:
    """Return the matches; where rows claim the same track, only the best claim stays applied."""
    claims = defaultdict(list)
    for match in matches:
        if match.is_applied:
            claims[match.index].append(match)
    result = []
    for match in matches:
        others = [m for m in claims[match.index] if m is not match] if match.is_applied else []
        stronger = [m for m in others if _rank(m) >= _rank(match)]
        if stronger:
            doubt = f"row {stronger[0].row.line} matches this track too"
            match = replace(match, confidence="medium", doubt=doubt)
        result.append(match)
    return result


def _rank(match: RowMatch) -> int:
    return 2 if match.confidence == "chosen" else int(match.similarity == EXACT)


class _Matching:
    def __init__(self, rows: Sequence[ListedSong], tracks: Sequence[TrackRow]) -> None:
        self.rows, self.tracks = rows, tracks
        names = [_track_titles(track) for track in tracks]
        artists = [tuple(words_in(track.artist)) for track in tracks]
        self.table = []
        """The similarity of each row's title and each track's."""
        for titles in map(_row_titles, rows):
            by_artist = {artist: without_artist(titles, artist) for artist in set(artists)}
            self.table.append(
                [
                    max(a.similarity(b) for a in by_artist[artist] for b in own)
                    for artist, own in zip(artists, names, strict=True)
                ]
            )
        self.named = [bool(row.title) for row in rows]
        self.names = [titles[0] for titles in map(_row_titles, rows)], [own[0] for own in names]
        """The plain title of each row, and of each track."""
        counted = Counter(row.number for row in rows if row.number is not None)
        self.begin_again = any(count > 1 for count in counted.values())
        """Whether the numbers begin again, as on another disc."""
        self.numbers_hold = not any(map(self._is_numbered_otherwise, range(len(rows))))
        """Whether numbers are evidence: not where the table has its own order."""

    def match(self, row: int, chosen: Mapping[int, int]) -> RowMatch:
        """Return the person's match of a row, or else the best, with its confidence."""
        if number := chosen.get(self.rows[row].line):
            title = self.table[row][number - 1]
            return RowMatch(self.rows[row], number - 1, "chosen", ("your choice",), title)
        exact = [t for t in range(len(self.tracks)) if self.table[row][t] == EXACT]
        if len(exact) > 1:
            return self._one_of(row, exact)
        by_code = [t for t, track in enumerate(self.tracks) if self._has_code(row, track)]
        if len(exact or by_code) == 1:
            return self._judged(row, (exact or by_code)[0])
        return self._judged(row, max(range(len(self.tracks)), key=lambda t: self._score(row, t)))

    def _is_numbered_otherwise(self, row: int) -> bool:
        """Return whether a row whose track is clear without its number has another number."""
        if self.rows[row].number is None:
            return False
        tracks = range(len(self.tracks))
        if self.named[row]:
            exact = [t for t in tracks if self.table[row][t] == EXACT]
            return len(exact) == 1 and not self._is_number_of(row, exact[0])
        numbered = [t for t in tracks if self._is_number_of(row, t)]
        return bool(numbered) and all(self._duration(row, t) is False for t in numbered)

    def _has_code(self, row: int, track: TrackRow) -> bool:
        return self.rows[row].isrc is not None and self.rows[row].isrc == track.track.isrc

    def _score(self, row: int, track: int) -> float:
        number, duration = self._number(row, track), self._duration(row, track) is True
        return self.table[row][track] + 20 * number + 25 * duration

    def _one_of(self, row: int, exact: Sequence[int]) -> RowMatch:
        """Choose among tracks with the same title by version, number and duration."""
        fitting = [t for t in exact if self._duration(row, t) is not False]
        if (of_version := self._of_version(row, fitting)) is not None:
            return self._judged(row, of_version)
        timed = [t for t in fitting if self._duration(row, t)]
        counted = [t for t in fitting if self._number(row, t)]
        if len(counted) == 1 and timed in ([], counted):
            return self._judged(row, counted[0])
        if len(timed) == 1 and not counted and self._is_alone(row, timed[0]):
            return self._judged(row, timed[0])
        best = max(exact, key=lambda t: self._score(row, t))
        return self._doubted(row, best, f"{len(exact)} tracks have this title")

    def _of_version(self, row: int, tracks: Sequence[int]) -> int | None:
        """Return the one track of a row's version; a row without one counts beside one with it."""
        words, title = words_in(self.rows[row].version or ""), self.rows[row].title.casefold()
        if not words and not any(
            other.version for other in self.rows if other.title.casefold() == title
        ):
            return None
        found = [t for t in tracks if words_in(self.tracks[t].track.version or "") == words]
        return found[0] if len(found) == 1 else None

    def _judged(self, row: int, track: int) -> RowMatch:
        """Return a row's match with a track, of high confidence if the facts suffice."""
        facts, title = self._facts(row, track), self.table[row][track]
        doubt = self._contradiction(row, track) or self._too_little(row, track, facts)
        hint = facts - (set() if self._is_alone(row, track) else {"duration"})
        if doubt and title < _POSSIBLE and not hint:
            return RowMatch(self.rows[row], similarity=title)
        if doubt:
            return self._doubted(row, track, doubt)
        return RowMatch(self.rows[row], track, "high", self._agreeing(row, track), title)

    def _too_little(self, row: int, track: int, facts: set[str]) -> str:
        """Return what a match of high confidence lacks; empty where nothing is."""
        title, named = self.table[row][track], self.named[row]
        if title == EXACT:
            version = shorten(self.tracks[track].track.version or "")
            unclear = not facts and self._lacks_version(row, track)
            return f"the table does not say whether this is `{version}`" if unclear else ""
        if rival := self._rival(row, track):
            return rival
        if "ISRC" in facts and (title >= _POSSIBLE or not named):
            return ""
        slip = not self.names[0][row].has_other_letters(self.names[1][track])
        if title >= _NEAR and facts and (slip or facts != {"number"}):
            return ""
        both = {"number", "duration"} <= facts and self._is_alone(row, track)
        if both and (title >= _POSSIBLE or not named):
            return ""
        agreeing = f"agreeing: {', '.join(sorted(facts)) or 'nothing'}"
        return f"{agreeing}; the titles are {title:.0f} % similar" if named else f"{agreeing} alone"

    def _facts(self, row: int, track: int) -> set[str]:
        return set(self._agreeing(row, track)) - {"title"}

    def _contradiction(self, row: int, track: int) -> str:
        if self._duration(row, track) is False:
            listed, lasts = self.rows[row].duration_s or 0, self.tracks[track].duration_s or 0
            return f"{duration_text(listed)} in the table, {duration_text(lasts)} in the manifest"
        extra = _versions(self.rows[row]) - _track_versions(self.tracks[track])
        if self.table[row][track] >= _POSSIBLE and extra:
            return f"the table has a version: {shorten(', '.join(sorted(extra)))}"
        return ""

    def _lacks_version(self, row: int, track: int) -> bool:
        version = self.tracks[track].track.version
        return bool(version) and not set(words_in(version or "")) <= _all_words(self.rows[row])

    def _rival(self, row: int, track: int) -> str:
        """Return which other track or row is nearly as similar; empty where none is."""
        if not self.named[row]:
            return ""
        near = self.table[row][track] - _RIVAL
        for other in range(len(self.tracks)):
            if other != track and self.table[row][other] >= near:
                return f"track {other + 1} is as similar"
        for other in range(len(self.rows)):
            if other != row and self.table[other][track] >= near:
                return f"row {self.rows[other].line} is as similar"
        return ""

    def _number(self, row: int, track: int) -> bool:
        return self.numbers_hold and self._is_number_of(row, track)

    def _is_number_of(self, row: int, track: int) -> bool:
        listed, of = self.rows[row], self.tracks[track]
        if listed.number is None:
            return False
        if listed.disc is not None and listed.number == of.number_on_disc:
            return listed.disc == of.disc
        begins_again = listed.disc is None and self.begin_again
        return listed.number == (of.number_on_disc if begins_again else of.number)

    def _duration(self, row: int, track: int) -> bool | None:
        """Return whether durations agree; None where one is missing or they are only near."""
        listed, lasts = self.rows[row].duration_s, self.tracks[track].duration_s
        if listed is None or lasts is None:
            return None
        apart_s = abs(float(lasts) - listed)
        if apart_s <= _SAME_S:
            return True
        return False if apart_s > max(_OTHER_S, _OTHER * listed) else None

    def _is_alone(self, row: int, track: int) -> bool:
        """Return whether no other track has about a row's duration."""
        listed = self.rows[row].duration_s or 0
        others = [t.duration_s for at, t in enumerate(self.tracks) if at != track]
        return all(s is not None and abs(float(s) - listed) > _ALONE_S for s in others)

    def _doubted(self, row: int, track: int, doubt: str) -> RowMatch:
        title = self.table[row][track]
        confidence: Confidence = "medium" if title >= _SIMILAR else "low"
        by = self._agreeing(row, track)
        return RowMatch(self.rows[row], track, confidence, by, title, doubt)

    def _agreeing(self, row: int, track: int) -> tuple[str, ...]:
        facts = {
            "title": self.table[row][track] >= _NEAR,
            "number": self._number(row, track),
            "duration": self._duration(row, track),
            "ISRC": self._has_code(row, self.tracks[track]),
        }
        return tuple(name for name, holds in facts.items() if holds)


def _row_titles(row: ListedSong) -> list[TitleWords]:
    texts = [row.title, row.cells.get("title", "")]
    texts += [f"{text} {row.version}" for text in texts if row.version and text]
    return [TitleWords(tuple(words_in(text))) for text in dict.fromkeys(texts)]


def _track_titles(track: TrackRow) -> list[TitleWords]:
    texts = (track.track.title, track.track.full_title)
    return [TitleWords(tuple(words_in(text))) for text in dict.fromkeys(texts)]


def _versions(row: ListedSong) -> set[str]:
    found = _version_words(f"{row.title} {row.cells.get('title', '')}")
    return found | set(words_in(row.version or ""))


def _track_versions(track: TrackRow) -> set[str]:
    return _version_words(track.track.title) | set(words_in(track.track.version or ""))


def _version_words(text: str) -> set[str]:
    return {match[0].lower() for match in VERSION_WORD.finditer(text)}


def _all_words(row: ListedSong) -> set[str]:
    texts = (row.title, row.cells.get("title", ""), row.version or "")
    return {word for text in texts for word in words_in(text)}
