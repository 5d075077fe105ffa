"""Song lists as they are pasted from mails."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assembler.draft.song_list import song_list


def titles_in(text: str) -> list[str]:
    return [song.title for song in song_list(text).songs]


TITLES = ["Low Lantern", "7 Fathoms", "99 Ropes", "1999", "Tide Table (feat. Ines Falk)"]
LAYOUTS = {
    "plain": "{title}",
    "dot": "{n}. {title}",
    "dot, no space": "{n}.{title}",
    "two digits": "{n:02d}. {title}",
    "bracket": "{n}) {title}",
    "space": "{n} {title}",
    "tab": "{n}\t{title}",
    "dash": "{n} - {title}",
    "long dash": "{n} – {title}",
    "joined dash": "{n:02d}-{title}",
    "colon": "{n}: {title}",
    "track": "Track {n}: {title}",
    "indented": "    {n}. {title}  ",
    "hyphen bullet": "- {title}",
    "round bullet": "• {title}",
    "star bullet": "* {title}",
    "time": "{n}. {title} 4:12",
    "time after a dash": "{n}. {title} - 4:12",
    "time after a long dash": "{n}. {title} — 4:12",
    "time in brackets": "{n}. {title} (4:12)",
    "time in square brackets": "{n}. {title} [4:12]",
    "time after a comma": "{n}. {title}, 4:12",
    "time after a tab": "{n}\t{title}\t04:12",
    "time with hours": "{n}. {title} (1:04:12)",
    "time with min": "{n}. {title} (4:12 min)",
    "bullet and time": "• {title} (4:12)",
    "quotes": '{n}. "{title}"',
    "curly quotes": "{n}. “{title}”",
    "curly quotes and time": "{n}. “{title}” – 4:12",
    "low quotes": "{n}. „{title}“",
}


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=list(LAYOUTS))
def test_titles_are_complete_in_any_layout(layout: str) -> None:
    text = "\n".join(layout.format(n=n, title=title) for n, title in enumerate(TITLES, 1))
    assert titles_in(text) == TITLES


@pytest.mark.parametrize(
    "title",
    [
        "1999",
        "7 Fathoms",
        "99 Ropes",
        "3:10 to Yuma",
        "Low Lantern (feat. Oda Brenn)",
        "Low Lantern feat. Oda Brenn",
        "Half-Light – Reprise",
        "Wait – What?",
        "Side A.",
        "10,000 Tides",
        "2 + 2",
        "No. 5",
    ],
)
def test_a_title_without_a_number_before_it_is_unchanged(title: str) -> None:
    assert titles_in(f"Low Lantern\n{title}\n") == ["Low Lantern", title]


@pytest.mark.parametrize("title", ['"Sea" and "Shore"', "“Sea” and “Shore”", 'Low "Lantern"'])
def test_quotes_inside_a_title_are_kept(title: str) -> None:
    assert titles_in(f"1. {title}\n2. Tide Table") == [title, "Tide Table"]


def test_blank_lines_and_line_ends_do_not_matter() -> None:
    text = "\r\n1. Low Lantern\r\n\r\n  \r\n2. Tide Table\r\n\r\n"
    assert titles_in(text) == ["Low Lantern", "Tide Table"]


def test_an_empty_list_has_no_titles() -> None:
    assert titles_in("") == titles_in("\n \n\t\n") == []


def test_a_numbered_list_of_titles_that_are_numbers() -> None:
    assert titles_in("1. 1999\n2. 7\n3. 3:10\n") == ["1999", "7", "3:10"]


WORDS = st.lists(
    st.text("abcdefghijklmnopqrstuvwxyzåøéш", min_size=1, max_size=8), min_size=1, max_size=4
).map(" ".join)


@given(st.lists(WORDS, min_size=1, max_size=30))
def test_numbers_and_times_are_removed_from_any_list(titles: list[str]) -> None:
    text = "\n".join(f"{n}. {title} - 3:05" for n, title in enumerate(titles, 1))
    assert titles_in(text) == titles


@given(st.text(max_size=200))
def test_titles_of_any_text_have_one_line(text: str) -> None:
    for title in titles_in(text):
        assert title.strip() == title != ""
        assert len(title.splitlines()) == 1
