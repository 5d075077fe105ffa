"""Match recordings with the songs of a list by ISRC, name, leading number or duration; else guess.

Similarity of names: rapidfuzz's ratios of letters and of words. Thresholds tuned empirically on
invented folders of names with takes, dates, artists and typing errors in them.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from anyascii import anyascii
from rapidfuzz import fuzz

from assembler.draft.recordings import FolderRecording
from assembler.draft.song_list import ListedSong
from assembler.text import duration_text, shorten

How = Literal["ISRC", "name", "number", "duration", "order"]

_IDENTICAL = 100.0
_MATCH = 85.0
"""Similarity from which names match, of 100."""
_RIVAL = 7.0
"""A rival within this makes the best match a guess."""
_PROBABLE_MATCH = 75.0
"""Similarity from which names match where the durations agree too."""
_POSSIBLE_MATCH = 60.0
_CLOSE_S, _APART_S, _NEAREST_S = 3.0, 8.0, 10.0
_OTHER_LENGTH_S, _OTHER_LENGTH = 10.0, 0.1
_COMMON = 0.6
_FEW_LETTERS = 4
_NO_NAME = re.compile(
    r"track|take|audio|untitled|song|mix|mixdown|master|mastered|side|tape|new|final|rec|recording|"
    r"bounce|print|version|title|titel|spor|spur|left|right|[lr]|v?\d+|\d+(?:bit|khz|k)"
)
"""Words in file names that are not part of a title."""
NUMERAL = re.compile(r"\d+|[ivx]{2,}")
"""A word that counts; titles with other numerals are other titles."""


@dataclass(frozen=True)
class SongPair:
    """A song and its recording."""

    song: ListedSong | None
    """None for a recording that is not in the list."""
    recording: FolderRecording | None
    """None for a song without a recording."""
    how: How | None = None
    """How they were matched; None where one is missing."""
    doubt: str = ""
    """Why this is a guess or should be checked; empty if it is sure."""


def paired_songs(
    songs: Sequence[ListedSong], recordings: Sequence[FolderRecording]
) -> list[SongPair]:
    """Match songs with recordings.

    Returns
    -------
    list of SongPair
        Songs in the list's order, then the remaining recordings.
    """
    matching = _Matching(songs, recordings)
    matching.by_isrc()
    matching.by_name(_MATCH)
    matching.by_number()
    matching.by_name(_POSSIBLE_MATCH)
    matching.by_duration()
    matching.in_order()
    return list(matching.pairs())


class _Matching:
    def __init__(self, songs: Sequence[ListedSong], recordings: Sequence[FolderRecording]) -> None:
        self.songs = songs
        self.recordings = recordings
        self.found: dict[int, tuple[int, How, str]] = {}
        self.names = _Names(songs, recordings)

    @property
    def songs_left(self) -> list[int]:
        return [at for at in range(len(self.songs)) if at not in self.found]

    @property
    def recordings_left(self) -> list[int]:
        taken = {recording for recording, _, _ in self.found.values()}
        return [at for at in range(len(self.recordings)) if at not in taken]

    def by_isrc(self) -> None:
        codes = Counter(recording.isrc for recording in self.recordings)
        for song in self.songs_left:
            code = self.songs[song].isrc
            if code and codes[code] == 1:
                place = [recording.isrc for recording in self.recordings].index(code)
                if place in self.recordings_left:
                    self.found[song] = (place, "ISRC", "")

    def by_name(self, least: float) -> None:
        """Match the most similar names first; a name with a rival is a guess."""
        left = [(s, r) for s in self.songs_left for r in self.recordings_left]
        similarity = {pair: self.names.similarity(*pair) for pair in left}
        for song, recording in sorted(left, key=lambda pair: -similarity[pair]):
            best = similarity[song, recording]
            songs, recordings = set(self.songs_left), set(self.recordings_left)
            if best < least or song not in songs or recording not in recordings:
                continue
            near = best if best == _IDENTICAL else best - _RIVAL
            same_song = ((song, r) for r in recordings - {recording})
            same_file = ((s, recording) for s in songs - {song})
            rival = next((p for p in (*same_song, *same_file) if similarity[p] >= near), None)
            doubt = self._rival(song, rival) if rival else ""
            if best < _MATCH:
                apart_s = self._apart_s(song, recording)
                if apart_s is not None and apart_s > _NEAREST_S:
                    continue
                if apart_s is None or apart_s > _CLOSE_S or best < _PROBABLE_MATCH:
                    doubt = f"the names are only {best:.0f} % similar"
            self.found[song] = (recording, "name", doubt)

    def _rival(self, song: int, rival: tuple[int, int]) -> str:
        if rival[0] == song:
            return f"`{shorten(self.recordings[rival[1]].file_names)}` matches as well"
        return f"the name matches `{shorten(self.songs[rival[0]].title)}` as well"

    def by_number(self) -> None:
        """Match leading numbers, unless names that are matched already contradict them."""
        numbers = _numbers_of(self.songs)
        leading = [recording.number for recording in self.recordings]
        counted = [n for n in leading if n is not None]
        if len(set(counted)) < len(counted) or not set(counted) <= {*numbers, 0}:
            return
        matched = [(numbers[s], leading[r]) for s, (r, _, _) in self.found.items()]
        agree = [number in (n, None) for n, number in matched]
        for recording in self.recordings_left:
            if leading[recording] not in numbers:
                continue
            song = numbers.index(leading[recording] or 0)
            if song in self.songs_left:
                doubt = "" if all(agree) else "other numbers do not match their songs"
                if self.names.is_another_title(song, recording):
                    doubt = "the file has another name"
                self.found[song] = (recording, "number", doubt)

    def by_duration(self) -> None:
        """Match durations, nearest first; one with a rival is a guess."""
        fewer = len(self.songs_left) != len(self.recordings_left)
        while True:
            near = {
                (s, r): apart
                for s in self.songs_left
                for r in self.recordings_left
                if (apart := self._apart_s(s, r)) is not None and apart <= _NEAREST_S
            }
            if not near:
                return
            song, recording = best = min(near, key=lambda pair: near[pair])
            rivals = [
                pair
                for pair, apart in near.items()
                if pair != best and (pair[0] == song or pair[1] == recording) and apart <= _APART_S
            ]
            is_certain = near[best] <= _CLOSE_S and not rivals
            doubt = "" if is_certain else f"its duration differs by {near[best]:.0f} s"
            doubt = "another has the same duration" if rivals else doubt
            if self.names.is_another_title(song, recording):
                doubt = doubt or "the file has another name"
            doubt = doubt or ("some songs or files have no counterpart" if fewer else "")
            self.found[song] = (recording, "duration", doubt)

    def _apart_s(self, song: int, recording: int) -> float | None:
        listed, lasts = self.songs[song].duration_s, None
        if listed is not None:
            lasts = self.recordings[recording].duration_s
        return None if listed is None or lasts is None else abs(lasts - listed)

    def in_order(self) -> None:
        for song, recording in zip(self.songs_left, self.recordings_left, strict=False):
            self.found[song] = (recording, "order", "no name, number or duration matches")

    def pairs(self) -> Iterator[SongPair]:
        left = self.recordings_left
        for at, song in enumerate(self.songs):
            if at not in self.found:
                yield SongPair(song, None)
                continue
            place, how, doubt = self.found[at]
            recording = self.recordings[place]
            yield SongPair(song, recording, how, doubt or self._other_length(at, place))
        for place in left:
            yield SongPair(None, self.recordings[place])

    def _other_length(self, song: int, recording: int) -> str:
        listed, apart_s = self.songs[song].duration_s, self._apart_s(song, recording)
        if listed is None or apart_s is None:
            return ""
        if apart_s <= max(_OTHER_LENGTH_S, _OTHER_LENGTH * listed):
            return ""
        lasts = duration_text(self.recordings[recording].duration_s or 0)
        return f"{duration_text(listed)} in the list, but the file lasts {lasts}"


def _numbers_of(songs: Sequence[ListedSong]) -> list[int]:
    """Return the number of each song: its own where every song has one, else its position."""
    own = [song.number for song in songs if song.number is not None]
    if len(set(own)) == len(songs):
        return own
    return list(range(1, len(songs) + 1))


class _Names:
    """Names of songs and recordings as words, without the words common to a folder."""

    def __init__(self, songs: Sequence[ListedSong], recordings: Sequence[FolderRecording]) -> None:
        titles = [words_in(song.title) for song in songs]
        files = [words_in(recording.name) for recording in recordings]
        in_titles = {word for words in titles for word in words}
        common = _common(files) - _common(titles)
        common |= {w for words in files for w in words if _NO_NAME.fullmatch(w)} - in_titles
        self.titles = titles
        self.longer = [
            [t for t in titles if t != title and _contains(t, title)] for title in titles
        ]
        """For each title, the others that contain it."""
        self.files = [[word for word in words if word not in common] for words in files]
        self.tags = [words_in(recording.tagged_title or "") for recording in recordings]

    def similarity(self, song: int, recording: int) -> float:
        """Return the similarity of a title and a recording's name or tag, from 0 to 100."""
        title = self.titles[song]
        longer, names = self.longer[song], (self.files[recording], self.tags[recording])
        return max(_similarity(title, name, longer) for name in names)

    def is_another_title(self, song: int, recording: int) -> bool:
        """Return whether a recording's name is unlike the title."""
        return bool(self.files[recording]) and self.similarity(song, recording) < _POSSIBLE_MATCH


def words_in(text: str) -> list[str]:
    """Return the words and numbers of a title in small Latin letters, in any script.

    Examples
    --------
    >>> words_in("Ferryman’s Grace No. 2")
    ['ferrymans', 'grace', 'no', '2']
    """
    plain: str = anyascii(text).casefold().replace("'", "")
    return re.findall(r"[a-z]+|\d+", plain)


def _common(names: Sequence[Sequence[str]]) -> set[str]:
    counts = Counter(word for words in names for word in set(words))
    return {word for word, n in counts.items() if len(names) > 2 and n >= _COMMON * len(names)}


def _similarity(title: list[str], name: list[str], longer: Sequence[list[str]]) -> float:
    if not title or not name:
        return 0.0
    if "".join(title) == "".join(name):
        return _IDENTICAL
    if len("".join(title)) < _FEW_LETTERS:
        return 0.0
    if any(_contains(name, other) for other in longer):
        return _POSSIBLE_MATCH - 1  # it is the longer title's
    numerals = {word for word in title if NUMERAL.fullmatch(word)}
    others = {word for word in name if NUMERAL.fullmatch(word) and not word.isdecimal()}
    most = _IDENTICAL if numerals <= set(name) and others <= numerals else _MATCH - 5
    if _contains(name, title):
        alone = len(title) == 1 and 2 * len(title[0]) < len("".join(name))
        return min(most, _MATCH - 1 if alone else 90 + 9 * len(title) / len(name))
    a, b = " ".join(title), " ".join(name)
    words = (fuzz.token_set_ratio(a, b) + fuzz.token_sort_ratio(a, b)) / 2
    letters = fuzz.ratio("".join(title), "".join(name))
    return min(most, float(max(words, letters)))


def _contains(words: Sequence[str], part: Sequence[str]) -> bool:
    """Return whether words contain others in a row."""
    n = len(part)
    return any(list(words[at : at + n]) == list(part) for at in range(len(words) - n + 1))
