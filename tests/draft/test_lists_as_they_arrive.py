"""Song lists as they arrive: vinyl sides, file names, quoted mails, spreadsheets. Text that
is not a song is reported with its line and never becomes a title. Fields of a spreadsheet are
written by Python's csv module (RFC 4180)."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assembler.draft.song_list import ListedSong, SongList, read_song_list, song_list

TITLES = ["Low Lantern", "7 Fathoms", "Tide; Table", "Say, “Ahoy”", "1999", "Sørlys"]
CODES = [f"AA-6Q7-27-{n:05d}" for n in range(1, 7)]


def titles(listed: SongList) -> list[str]:
    return [song.title for song in listed.songs]


def lines_left_out(listed: SongList) -> list[int]:
    return [remark.line for remark in listed.remarks]


def test_sides_durations_composers_and_shouts() -> None:
    listed = song_list(
        "Side A:\n"
        "A1. Low Lantern (K. Moen) [1:46] !!\n"
        "A2. Tide Table (trad., arr. K. Moen) [3:05]\n"
        "A3. 7 Fathoms (live) [2:22] (fade early?)\n"
        "\nSide B:\n"
        "B1. Bell Buoy (I. Falk / O. Brenn) [4:12]\n"
    )
    assert listed.songs == (
        ListedSong("Low Lantern", 106, 2, 1, composers=("K. Moen",)),
        ListedSong("Tide Table", 185, 3, 2, composers=("trad.",), arrangers=("K. Moen",)),
        ListedSong("7 Fathoms (live)", 142, 4, 3),
        ListedSong("Bell Buoy", 252, 7, 1, composers=("I. Falk", "O. Brenn")),
    )
    assert [(remark.line, remark.message.split(": ")[1]) for remark in listed.remarks] == [
        (2, "`!!`"),
        (4, "`(fade early?)`"),
    ]


@pytest.mark.parametrize(
    "layout",
    ["A{n}. {t}", "A{n} {t}", "{n:02d}_{t}", "#{n} {t}", "# {n} {t}", "({n}) {t}", "[{n}] {t}",
     "1-{n:02d} {t}", "No. {n}: {t}", "> {n}. {t}", ">> > {n}. {t}", "a{n}: {t} – 3:05",
     "{n:02d} {t}.wav", "{n}/ {t}", "**{n}. {t}**",
     "{n}\ufe0f\u20e3 {t}", "{n}． {t}", "{n}. ‘{t}’",
     "{n}. {t} – AA-6Q7-27-0000{n}"],
)  # fmt: skip
def test_numbers_of_all_kinds_are_removed(layout: str) -> None:
    listed = song_list("\n".join(layout.format(n=n, t=t) for n, t in enumerate(TITLES, 1)))
    assert titles(listed) == TITLES
    assert [song.number for song in listed.songs] == [1, 2, 3, 4, 5, 6]
    assert listed.remarks == ()


def test_songs_of_a_quoted_mail_are_read_and_all_else_is_reported() -> None:
    listed = song_list(
        "From: Ines Falk <ines@example.org>\nSubject: order\n\nGreat!\n\n"
        "> On 3 March Oda wrote:\n> Hello,\n>\n> 1) Low Lantern 4:12\n> 2) Tide Table 3:05\n"
        ">    (please fade this one)\n> 3) Bell Buoy 2:22\n>\n> Best\n> Oda\n\n"
        "-- \nwww.example.org\n"
    )
    assert titles(listed) == ["Low Lantern", "Tide Table", "Bell Buoy"]
    assert lines_left_out(listed) == [1, 2, 4, 6, 7, 11, 14, 15, 17, 18]


def test_the_latest_of_two_lists_in_a_mail_is_read() -> None:
    listed = song_list(
        "Now it is:\n\n1. Tide Table\n2. Low Lantern\n\n"
        "> 1. Low Lantern\n> 2. Tide Table\n> 3. Bell\n"
    )
    assert titles(listed) == ["Tide Table", "Low Lantern"]
    assert lines_left_out(listed) == [1, 6, 7, 8]


def test_a_list_without_numbers_between_greeting_and_signature() -> None:
    listed = song_list("Hi Oda,\n\nthe order:\n\nLow Lantern\n7 Fathoms\n\nBest wishes\nInes\n")
    assert titles(listed) == ["Low Lantern", "7 Fathoms"]
    assert lines_left_out(listed) == [1, 3, 8, 9]


def test_sentences_around_lines_with_times_are_not_titles() -> None:
    listed = song_list(
        "Good to hear you\n\nLow Lantern 4:12\nBell Buoy\nTide Table 3:05\n\nSee you on Monday\n"
    )
    assert [(s.title, s.duration_s) for s in listed.songs] == [
        ("Low Lantern", 252),
        ("Bell Buoy", None),
        ("Tide Table", 185),
    ]
    assert lines_left_out(listed) == [1, 7]


def test_sides_of_a_single_have_letters() -> None:
    listed = song_list("A: Low Lantern\nB: Tide Table\n")
    assert titles(listed) == ["Low Lantern", "Tide Table"]
    assert titles(song_list("K. Moen’s Reel\nA. Falk’s Reel\n")) == [
        "K. Moen’s Reel",
        "A. Falk’s Reel",
    ]


def test_text_below_a_table_is_not_a_song() -> None:
    listed = song_list("Hi,\n\nTitle\tTime\nLow Lantern\t4:12\nTide Table\t\n\nBest,\nOda\n")
    assert titles(listed) == ["Low Lantern", "Tide Table"]
    assert lines_left_out(listed) == [1, 7, 8]


def test_a_sum_is_not_a_song() -> None:
    listed = song_list("Low Lantern 4:12\nTide Table 3:05\nBell Buoy 2:22\nTotal 9:39\n")
    assert titles(listed) == ["Low Lantern", "Tide Table", "Bell Buoy"]
    assert lines_left_out(listed) == [4]


def test_a_code_or_a_composer_below_a_song_belongs_to_it() -> None:
    listed = song_list(
        "1. Low Lantern\nISRC: AA-6Q7-27-00001\n2. Tide Table\n(K. Moen)\n3. Bell\n(too loud)\n"
    )
    assert [(s.isrc, s.composers) for s in listed.songs] == [
        ("AA6Q72700001", ()),
        (None, ("K. Moen",)),
        (None, ()),
    ]
    assert lines_left_out(listed) == [6]


def test_a_second_count_below_another_heading_is_reported() -> None:
    listed = song_list("1. Low Lantern\n2. Tide Table\n\nQuestions:\n1. Who wrote it?\n2. When?\n")
    assert lines_left_out(listed) == [4, 5]
    assert "check whether these are songs" in listed.remarks[1].message


def test_a_missing_number_and_a_mixed_order_are_reported() -> None:
    listed = song_list("1. Low Lantern\n2. Tide Table\n4. Bell Buoy\nand one more\n5. Undertow\n")
    assert titles(listed) == ["Low Lantern", "Tide Table", "Bell Buoy", "Undertow"]
    assert [(r.line, r.message) for r in listed.remarks] == [
        (3, "number 4 follows 2: is a song missing?"),
        (4, "not understood, not used: `and one more`"),
    ]
    (remark,) = song_list("3. Low Lantern\n1. Tide Table\n2. Bell Buoy\n").remarks
    assert (remark.line, "not in order" in remark.message) == (2, True)


def test_discs_are_known_by_heading_and_by_number() -> None:
    headed = song_list("CD 1\n1. Low Lantern\n2. Tide Table\n\nCD 2:\n1. Bell Buoy\n")
    numbered = song_list("1-01 Low Lantern\n1-02 Tide Table\n2-01 Bell Buoy\n")
    assert [song.disc for song in headed.songs] == [1, 1, 2]
    assert [song.disc for song in numbered.songs] == [1, 1, 2]
    assert headed.remarks == numbered.remarks == ()


@pytest.mark.parametrize(
    ("text", "title", "composers"),
    [
        ("Low Lantern (K. Moen)", "Low Lantern", ("K. Moen",)),
        ("Low Lantern (K.Moen)", "Low Lantern", ("K.Moen",)),
        ("Low Lantern [A. B. van der Moen]", "Low Lantern", ("A. B. van der Moen",)),
        ("Low Lantern (Å. Østby & I. Falk)", "Low Lantern", ("Å. Østby", "I. Falk")),
        ("Low Lantern [1:46] (K. Moen)", "Low Lantern", ("K. Moen",)),
        ("Low Lantern - 1:46 - K. Moen", "Low Lantern", ("K. Moen",)),
        ("Low Lantern | 1:46 | K. Moen / I. Falk", "Low Lantern", ("K. Moen", "I. Falk")),
        ("Low Lantern (music: Ines Falk)", "Low Lantern", ("Ines Falk",)),
        ("Low Lantern (comp. Falk)", "Low Lantern", ("Falk",)),
        ("Low Lantern (written by Ines Falk)", "Low Lantern", ("Ines Falk",)),
        ("Low Lantern (words and music: Ines Falk)", "Low Lantern", ("Ines Falk",)),
        ("Low Lantern (trad.)", "Low Lantern", ("trad.",)),
        ("Low Lantern (live)", "Low Lantern (live)", ()),
        ("Low Lantern (2027 remaster)", "Low Lantern (2027 remaster)", ()),
        ("Low Lantern (feat. K. Moen)", "Low Lantern (feat. K. Moen)", ()),
        ("Low Lantern (Part I)", "Low Lantern (Part I)", ()),
        ("Low Lantern (By the Sea)", "Low Lantern (By the Sea)", ()),
        ("Low Lantern (music of the sea)", "Low Lantern (music of the sea)", ()),
        ("Low Lantern (At 5 A. M.)", "Low Lantern (At 5 A. M.)", ()),
        ("Low Lantern (No. 5)", "Low Lantern (No. 5)", ()),
        ("Low Lantern (Intro/Outro)", "Low Lantern (Intro/Outro)", ()),
    ],
)
def test_names_in_brackets(text: str, title: str, composers: tuple[str, ...]) -> None:
    listed = song_list(f"1. Tide Table\n2. {text}\n")
    assert (listed.songs[1].title, listed.songs[1].composers) == (title, composers)
    assert listed.remarks == ()


def test_full_names_are_composers_where_most_songs_have_one() -> None:
    many = song_list("1. Low Lantern (Ines Falk)\n2. Tide Table (Oda Brenn)\n3. Bell (live)\n")
    assert [song.composers for song in many.songs] == [("Ines Falk",), ("Oda Brenn",), ()]
    pairs = song_list("1. Low Lantern (Moen/Falk)\n2. Tide Table (Brenn / Falk)\n")
    assert [song.composers for song in pairs.songs] == [("Moen", "Falk"), ("Brenn", "Falk")]


@pytest.mark.parametrize("subtitle", ["Harbour Light", "Music Box", "Words Fail", "Day/Night"])
def test_a_subtitle_that_might_be_a_name_is_kept_and_is_reported(subtitle: str) -> None:
    one = song_list(f"1. Low Lantern ({subtitle})\n2. Tide Table\n3. Bell Buoy\n")
    assert titles(one)[0] == f"Low Lantern ({subtitle})"
    assert [remark.line for remark in one.remarks] == [1]


@pytest.mark.parametrize("title", ["Low Lantern – K. Moen", "Low Lantern by K. Moen"])
def test_a_name_after_a_title_is_reported(title: str) -> None:
    listed = song_list(f"1. {title} (4:12)\n2. Tide Table\n")
    assert titles(listed)[0] == title
    (remark,) = listed.remarks
    assert (remark.line, "`K. Moen` is kept in the title" in remark.message) == (1, True)


def test_text_after_a_time_is_not_part_of_the_title() -> None:
    listed = song_list("1. Low Lantern - 4:12 - check the fade\n2. Tide Table - 3:05\n")
    assert titles(listed) == ["Low Lantern", "Tide Table"]
    assert [r.message for r in listed.remarks] == ["not understood, not used: `check the fade`"]


def test_a_number_with_a_dot_is_not_a_time_among_titles_without_times() -> None:
    listed = song_list("1. Low Lantern\n2. Opus 4.12\n3. Tide Table\n")
    assert listed.songs[1] == ListedSong("Opus 4.12", None, 2, 2)
    assert [remark.line for remark in listed.remarks] == [2]
    timed = song_list("1. Low Lantern 3.05\n2. Opus 4.12\n3. Tide Table\n")
    assert [song.duration_s for song in timed.songs] == [185, 252, None]


def test_a_time_in_a_title_is_kept_where_times_have_a_column() -> None:
    listed = song_list("Title;Length\nTrain at 9:30;4:12\nTide Table;3:05\n")
    assert [(s.title, s.duration_s) for s in listed.songs] == [
        ("Train at 9:30", 252),
        ("Tide Table", 185),
    ]


def table(delimiter: str, rows: list[list[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows(rows)
    return out.getvalue()


HEAD = ["#", "Title", "Composer", "Length", "ISRC Code", "UPC"]
ROWS = [
    [str(n), title, "K. Moen; Ines Falk", f"00:0{n}:05", code, "2000000000145"]
    for n, (title, code) in enumerate(zip(TITLES, CODES, strict=True), 1)
]


@pytest.mark.parametrize("delimiter", ["\t", ";", ","])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_spreadsheet_is_read_by_its_header(tmp_path: Path, delimiter: str, encoding: str) -> None:
    note = [["Songs for Slack Water", "", "", "", "", ""], [""] * 6]
    rows = [*note, HEAD, *ROWS, ["", "Total", "", "0:21:30", "", ""]]
    path = tmp_path / "songs.csv"
    path.write_bytes(table(delimiter, rows).encode(encoding))
    listed = read_song_list(path)
    assert titles(listed) == TITLES
    assert [song.isrc for song in listed.songs] == [code.replace("-", "") for code in CODES]
    assert [song.duration_s for song in listed.songs] == [60 * n + 5 for n in range(1, 7)]
    assert {song.composers for song in listed.songs} == {("K. Moen", "Ines Falk")}
    remarks = [(r.line, r.message.split(": ")[-1]) for r in listed.remarks if r.line]
    assert remarks == [
        (1, "`Songs for Slack Water`"),
        (3, "the column UPC"),
        (10, "`Total, 0:21:30`"),
    ]
    assert (encoding in ("utf-16", "cp1252")) == any(not r.line for r in listed.remarks)


@pytest.mark.parametrize("delimiter", ["\t", ";", ","])
def test_a_spreadsheet_without_a_header_is_read_by_its_content(delimiter: str) -> None:
    rows = [[row[0], row[4], row[1], row[3]] for row in ROWS]
    listed = song_list(table(delimiter, rows))
    assert [(s.number, s.title, s.isrc) for s in listed.songs] == [
        (n, title, code.replace("-", ""))
        for n, (title, code) in enumerate(zip(TITLES, CODES, strict=True), 1)
    ]
    assert listed.remarks == ()


def test_cells_that_do_not_match_their_column_are_reported() -> None:
    listed = song_list(
        "Track;Title;Time;ISRC\n1;Low Lantern;4:12;to follow\n2;Tide Table;soon;AA6Q72700002\n"
        "3;Bell;Buoy;2:22;AA6Q72700003\n"
    )
    assert [(s.title, s.duration_s, s.isrc) for s in listed.songs] == [
        ("Low Lantern", 252, None),
        ("Tide Table", None, "AA6Q72700002"),
    ]
    assert [(r.line, r.message) for r in listed.remarks] == [
        (2, "not understood as an ISRC: `to follow`"),
        (3, "not understood as a time: `soon`"),
        (4, "not understood, not used: `3, Bell, Buoy, 2:22, AA6Q72700003`"),
    ]


def test_a_time_that_a_spreadsheet_took_for_hours() -> None:
    listed = song_list("Title\tDuration\nLow Lantern\t04:12:00\nTide Table\t3:05:00\n")
    assert [song.duration_s for song in listed.songs] == [252, 185]


def test_a_table_in_a_mail_with_bars() -> None:
    listed = song_list("| # | Song | Time |\n|---|---|---|\n| 1 | Low Lantern | 4:12 |\n")
    assert listed.songs == (ListedSong("Low Lantern", 252, 3, 1),)


def test_a_cell_of_two_lines_is_one_title() -> None:
    listed = song_list('Title;Length\n"Low\nLantern";4:12\nTide Table;3:05\n')
    assert [(s.title, s.line) for s in listed.songs] == [("Low Lantern", 2), ("Tide Table", 4)]


PIECES = st.sampled_from(
    ["1. ", "A1 ", "> ", "Low Lantern", "7 Fathoms", "(K. Moen)", " [1:46]", "!!", "\t", ";", ",",
     '"', "\n", "\n\n", "Side B:", "ISRC", "Title", "AA6Q72700001", "Hi,", "|", " 4:12", "Best"]
)  # fmt: skip


@settings(max_examples=300)
@given(st.lists(PIECES, max_size=40).map("".join))
def test_every_line_is_a_song_or_is_reported(text: str) -> None:
    """No line with a letter or digit is lost, and each title is on its line."""
    listed = song_list(text)
    lines = text.splitlines()
    for song in listed.songs:
        assert song.title.strip() == song.title != ""
        near = " ".join(lines[song.line - 1 :])
        assert all(word in near for word in song.title.replace('"', " ").split())
    last = max([0, *(song.line for song in listed.songs), *lines_left_out(listed)])
    assert last <= len(lines)
    if not listed.songs and any("Lantern" in line for line in lines):
        assert listed.remarks


@pytest.mark.parametrize("sign", [" ", "(", "a ", '"', "1 ", "A. ", ",", "> "])
def test_a_giant_line_is_reported_at_once(sign: str) -> None:
    """The time for a line of a megabyte must not grow with its square: that would be hours."""
    listed = song_list(f"1. Low Lantern\n2. {sign * (1_000_000 // len(sign))}x\n2. Tide Table\n")
    assert titles(listed) == ["Low Lantern", "Tide Table"]
    assert lines_left_out(listed) == [2]


def test_a_list_that_is_far_too_long_is_refused(tmp_path: Path) -> None:
    from assembler.errors import FindingsError

    path = tmp_path / "songs.txt"
    path.write_text("Low Lantern\n" * 5001, encoding="utf-8")
    with pytest.raises(FindingsError, match="more than 5000 lines"):
        read_song_list(path)
