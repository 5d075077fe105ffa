"""Titles and durations from song lists pasted from mails; common practice, no source."""

from __future__ import annotations

import pytest

from assembler.draft.song_list import song_list

Songs = list[tuple[str, int | None]]
THREE: Songs = [("Low Lantern", 252), ("Tide Table feat. Oda Brenn", 185), ("Bell Buoy", None)]


@pytest.mark.parametrize(
    "text",
    [
        "1. Low Lantern - 4:12\n2. Tide Table feat. Oda Brenn (3:05)\n3. Bell Buoy",
        "Hi,\nhere they are:\n\n1 Low Lantern 4'12\"\n2 Tide Table feat. Oda Brenn 3m05s\n"
        "3 Bell Buoy\n\nBest\nInes",
        "> 1) Low Lantern ..... 4:12\n> 2) Tide Table feat. Oda Brenn | 3.05\n> 3) Bell Buoy",
        "0:00 Low Lantern\n4:12 Tide Table feat. Oda Brenn\n7:17 Bell Buoy",
        "Low Lantern [4:12]\n\nTide Table feat. Oda Brenn, 3:05\nBell Buoy",
    ],
)
def test_titles_and_durations(text: str) -> None:
    assert [(song.title, song.duration_s) for song in song_list(text).songs] == THREE


@pytest.mark.parametrize(
    ("text", "songs"),
    [
        ("4:12 Low Lantern\n3:05 Tide Table", [("Low Lantern", 252), ("Tide Table", 185)]),
        ("Low Lantern\n3:10 to Yuma", [("Low Lantern", None), ("3:10 to Yuma", None)]),
        ("1. 3:10\n2. 1999", [("3:10", None), ("1999", None)]),
        ("Low Lantern (1:04:12)", [("Low Lantern", 3852)]),
        (
            "Side A\n1. Low Lantern\n2. Tide Table\nSide B\n1. Bell Buoy",
            [("Low Lantern", None), ("Tide Table", None), ("Bell Buoy", None)],
        ),
        ("", []),
    ],
)
def test_what_looks_like_a_time_or_a_title(text: str, songs: Songs) -> None:
    assert [(song.title, song.duration_s) for song in song_list(text).songs] == songs
