"""How often a pair that is not called a guess is wrong, on random folders whose truth is
known: names with artists, dates and mixes around them, typing errors, words left out, files that
are missing, files of other songs, songs with similar titles."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from pathlib import Path

from long_runs import series

from assembler.draft.pairing import paired_songs
from assembler.draft.recordings import FolderRecording
from assembler.draft.song_list import ListedSong

WORDS = [
    "low", "tide", "lantern", "table", "bell", "buoy", "reel", "wet", "floor", "heron",
    "sluice", "rope", "harbour", "light", "night", "sea", "song", "water", "slack", "ferry",
    "moon", "salt", "stone", "river", "wind", "boat", "sail", "room", "ring", "seven", "old",
    "new", "blue", "dark", "morning", "evening", "winter", "anchor", "chain", "gull", "fog",
    "net", "loft", "wave",
]  # fmt: skip
MOST_WRONG = 1 / 200


@dataclass(frozen=True)
class Take(FolderRecording):
    """A recording whose duration and song are known."""

    lasts_s: float = 0.0
    song: str | None = None

    @property
    def duration_s(self) -> float:  # type: ignore[override]
        """How long it lasts."""
        return self.lasts_s


@dataclass
class Counts:
    """Pairs that are not guesses, and how many of these are wrong."""

    sure: int = 0
    guesses: int = 0
    wrong: list[tuple[str, str]] = field(default_factory=list)


def made_title(chance: random.Random) -> str:
    title = " ".join(chance.choice(WORDS).title() for _ in range(chance.choice([1, 2, 2, 2, 3, 4])))
    return title + (chance.choice([" (live)", " II", " Pt. 2"]) if chance.random() < 0.1 else "")


def slipped(text: str, chance: random.Random) -> str:
    """Return a text with up to two typing errors."""
    signs = list(text)
    for _ in range(chance.choice([0, 0, 0, 1, 1, 2])):
        place, how = chance.randrange(len(signs)), chance.random()
        if how < 0.4 and len(signs) > 3:
            del signs[place]
        elif how < 0.7:
            signs.insert(place, chance.choice("abcdefgh"))
        else:
            signs[place] = chance.choice("abcdefgh")
    return "".join(signs)


def file_name(title: str, number: int, chance: random.Random) -> str:
    name = slipped(title.lower(), chance)
    name = name.split()[0] if chance.random() < 0.1 else name
    name = f"untitled {number}" if chance.random() < 0.05 else name
    return name.replace(" ", chance.choice(["_", "-", ""])) if chance.random() < 0.4 else name


def count_folder(chance: random.Random, counts: Counts) -> None:
    titles = list(dict.fromkeys(made_title(chance) for _ in range(chance.choice([6, 10, 12]))))
    if chance.random() < 0.3:
        titles.append(f"{titles[0]} (Reprise)")
    lengths_s = {title: chance.randint(120, 300) for title in titles}
    listed, order = (chance.sample(titles, len(titles)) for _ in range(2))
    before = chance.choice(["", "HFS_", "Halden Ferry - ", "2026-03-01_"])
    behind = chance.choice(["", "_mix3", " (final)", " 24bit"])
    numbered, timed = chance.random() < 0.3, chance.random() < 0.5
    takes = []
    for number, title in enumerate(order):
        if chance.random() < 0.92:
            name = f"{before}{file_name(title, number, chance)}{behind}".replace("_", " ")
            lasts_s = lengths_s[title] + chance.uniform(-1, 4)
            leading = listed.index(title) + 1 if numbered else None
            takes.append(Take((Path(f"{number}.wav"),), leading, name, None, None, lasts_s, title))
    for number in range(chance.choice([0, 0, 1, 2])):
        name = f"{before}{made_title(chance).lower()}{behind}"
        lasts_s = chance.randint(120, 300)
        takes.append(Take((Path(f"x{number}.wav"),), None, name, None, None, lasts_s))
    songs = [
        ListedSong(title, lengths_s[title] if timed else None, at, at)
        for at, title in enumerate(listed, 1)
    ]
    for pair in paired_songs(songs, takes):
        if pair.song is None or pair.recording is None:
            continue
        assert isinstance(pair.recording, Take)
        if pair.doubt:
            counts.guesses += 1
            continue
        counts.sure += 1
        if pair.recording.song != pair.song.title:
            counts.wrong.append((pair.song.title, pair.recording.name))


def test_a_pair_that_is_not_a_guess_is_right() -> None:
    counts = Counts()
    for seed in range(series(600, 60)):
        count_folder(random.Random(seed), counts)
    assert len(counts.wrong) <= MOST_WRONG * counts.sure, counts.wrong
    assert counts.sure > 3 * counts.guesses  # not everything may be a guess
