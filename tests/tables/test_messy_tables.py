"""Tables and mails as labels send them (invented): each row's track is known here, and no row may
be applied to another. Rows whose track is not certain are left out and reported."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest
from tables.album import LENGTHS, TITLES, applied, clock, code, codes, left_out, plan, workbook

EIGHT = range(1, 9)


@dataclass(frozen=True)
class Sent:
    """A table, and what becomes of each of its rows."""

    text: str
    applied: dict[int, int]
    """The track of each line that must be applied."""
    left_out: dict[int, int | None] = field(default_factory=dict)
    """The proposed track of each line that must be left out."""
    without_code: frozenset[int] = frozenset()
    """Tracks whose row has no code that can be used."""


def table(*rows: str) -> str:
    return "\n".join(rows) + "\n"


SENT = {
    "reordered rows, old numbers": Sent(
        table("Title;ISRC", *(f"{TITLES[n]};{code(n)}" for n in (5, 1, 8 - 1, 3))),
        {2: 5, 3: 1, 4: 7, 5: 3},
    ),
    "numbers of another order": Sent(
        table("No,Title,ISRC", f"1,Undertow,{code(5)}", f"2,Bell Buoy,{code(4)}",
              f"3,Low Lantern,{code(1)}"),
        {2: 5, 3: 4, 4: 1},
    ),
    "other spelling, with numbers": Sent(
        table("Nr;Titel;ISRC", f"1;LOW LANTERNE;{code(1)}", f"3;Rope-walk Round;{code(3)}",
              f"6;Ferrymans Grace;{code(6)}", f"7;Counting The Pilse;{code(7)}"),
        {2: 1, 3: 3, 4: 6, 5: 7},
    ),
    "other spelling alone is not enough": Sent(
        table("Titel;ISRC", f"Low Lanterne;{code(1)}", f"Bell Bouy;{code(4)}"),
        {}, {2: 1, 3: 4},
    ),
    "missing rows": Sent(
        table("No\tTitle\tISRC", f"2\tTide Table\t{code(2)}", f"7\tCounting the Piles\t{code(7)}"),
        {2: 2, 3: 7},
    ),
    "extra rows of another release": Sent(
        table("No,Title,ISRC", f"1,Low Lantern,{code(1)}", f"2,Net Loft Waltz,{code(92)}",
              f"3,Ropewalk Round,{code(3)}", f"13,Tallow and Twine,{code(93)}"),
        {2: 1, 4: 3}, {3: 2, 5: None},
    ),
    "a hidden track": Sent(
        table("No,Title,Length,ISRC", f"0,Hidden: loft talk,0:40,{code(90)}",
              f"1,Low Lantern,3:05,{code(1)}", f"2,Tide Table,2:41,{code(2)}"),
        {3: 1, 4: 2}, {2: None},
    ),
    "title and artist in one column": Sent(
        table("Artist / Title;ISRC", f"Halden Ferry Singers – Low Lantern;{code(1)}",
              f"Jorun Hald: Ferryman’s Grace;{code(6)}",
              f"Bell Buoy - Halden Ferry Singers;{code(4)}"),
        {2: 1, 3: 6, 4: 4},
    ),
    "swapped columns": Sent(
        table("No,Title,ISRC", f"1,{code(1)},Low Lantern", f"2,{code(2)},Tide Table",
              f"3,{code(3)},Ropewalk Round"),
        {2: 1, 3: 2, 4: 3},
    ),
    "dates in the column of codes": Sent(
        table("No,Title,ISRC,Composer", "1,Low Lantern,2027-04-16,Ines Falk",
              f"2,Tide Table,{code(2)},Mattis Oren", "3,Ropewalk Round,16.04.27,Ines Falk"),
        {2: 1, 3: 2, 4: 3}, {}, frozenset({1, 3}),
    ),
    "codes with hyphens, with spaces, in lower case": Sent(
        table("title,isrc", f"Low Lantern,{code(1)}", "Tide Table,AA 6Q7 27 00002",
              "Ropewalk Round,aa6q72700003", "Bell Buoy,ISRC: AA6Q72700004"),
        {2: 1, 3: 2, 4: 3, 5: 4},
    ),
    "h:mm:ss, codes and durations alone": Sent(
        table("ISRC;Duration;No", f"{code(1)};0:03:05;1", f"{code(2)};0:02:41;2",
              f"{code(4)};00:01:04;4"),
        {2: 1, 3: 2, 4: 4},
    ),
    "numbers alone are not enough": Sent(
        table("No,ISRC", f"1,{code(1)}", f"2,{code(2)}"), {}, {2: 1, 3: 2},
    ),
    "a number and a duration that disagree": Sent(
        table("No,Duration,ISRC", f"1,4:12,{code(3)}", f"4,1:04,{code(4)}"), {}, {2: 3, 3: 4},
    ),
    "fractions of a day": Sent(
        table("Track,Title,Time,ISRC", f"1,Low Lanterns,0.00214120370,{code(1)}",
              f"4,Bell Buoys,0.000740740741,{code(4)}"),
        {2: 1, 3: 4},
    ),
    "a live and a studio version": Sent(
        table("Title,ISRC", f"Harbour Psalm,{code(94)}", f"Harbour Psalm (live),{code(8)}",
              f"Low Lantern (radio edit),{code(95)}"),
        {3: 8}, {2: 8, 4: 1},
    ),
    "a version in a column of its own": Sent(
        table("Title,Version,ISRC", f"Harbour Psalm,live,{code(8)}", f"Undertow,demo,{code(96)}"),
        {2: 8}, {3: 5},
    ),
    "titles that differ by a numeral": Sent(
        table("No,Title,ISRC", f"9,Sea Song III,{code(10)}", f"10,Sea Song II,{code(9)}",
              f"11,Sea Song IV,{code(97)}"),
        {2: 10, 3: 9}, {4: 9},
    ),
    "a slip, and a word of other letters": Sent(
        table("No,Title,ISRC", f"2,Tide Tabel,{code(2)}", f"4,Bull Buoy,{code(97)}"),
        {2: 2}, {3: 4},
    ),
    "a numeral of one letter": Sent(
        table("No,Title,ISRC", f"3,Ropewalk Round I,{code(97)}"), {}, {2: 3},
    ),
    "other spelling in another order": Sent(
        table("No,Title,ISRC", f"1,Tide Table,{code(2)}", f"2,Low Lantern,{code(1)}",
              f"4,Bell Buoyy,{code(4)}"),
        {2: 2, 3: 1}, {4: 4},
    ),
    "the same title twice, in another order": Sent(
        table("No,Title,ISRC", f"1,Undertow,{code(5)}", f"11,Interlude,{code(12)}",
              f"12,Interlude,{code(11)}"),
        {2: 5}, {3: 11, 4: 11},
    ),
    "durations in another order": Sent(
        table("No,Duration,ISRC", f"4,1:04,{code(4)}", f"1,2:41,{code(2)}", f"2,3:05,{code(1)}"),
        {}, {2: 4, 3: 2, 4: 1},
    ),
    "hours and minutes for minutes and seconds": Sent(
        table("No;Title;Time;ISRC", f"1;Low Lanternn;3:05:00;{code(1)}",
              f"2;Tide Tablle;2:41:00;{code(2)}"),
        {2: 1, 3: 2},
    ),
    "the same title twice": Sent(
        table("Title,Length,ISRC", f"Interlude,0:47,{code(12)}", f"Interlude,0:31,{code(11)}"),
        {2: 12, 3: 11},
    ),
    "the same title twice, and nothing else": Sent(
        table("Title,ISRC", f"Interlude,{code(11)}", f"Interlude,{code(12)}"), {}, {2: 11, 3: 11},
    ),
    "a title with another duration": Sent(
        table("Title,Length,ISRC", f"Low Lantern,4:40,{code(98)}", f"Tide Table,2:42,{code(2)}"),
        {3: 2}, {2: 1},
    ),
    "translated titles": Sent(
        table("No,Title,Duration,ISRC", f"1,Lav lykt,3:05,{code(1)}",
              f"4,Klokkebøye,1:04,{code(4)}"),
        {}, {2: 1, 3: 4},
    ),
    "a mail's numbered lines": Sent(
        table("Hi Kari,", "", "here are the codes:", "", f"1. Low Lantern {code(1)}",
              f"2. Tide Table {code(2)}", f"3. Ropewalk Round {code(3)}", "", "Best,", "Tove"),
        {5: 1, 6: 2, 7: 3},
    ),
    "a quoted mail with a signature": Sent(
        table("From: Tove Lind", "Subject: codes", "", "> Hi,", ">",
              f"> 1. Low Lantern – {code(1)}", f"> 4. Bell Buoy – {code(4)}",
              f"> 5. Undertow – {code(5)}", ">", "> Best wishes,", "> Tove", "> --",
              "> Tidewrack Editions · tove@tidewrack.invalid · 1 Quay, 2 Halden"),
        {6: 1, 7: 4, 8: 5},
    ),
    "a table in a quoted mail": Sent(
        table("Hello,", "", "> No\tTitle\tISRC", f"> 2\tTide Table\t{code(2)}",
              f"> 5\tUndertow\t{code(5)}", "", "Regards,", "Tove Lind", "Tidewrack Editions"),
        {4: 2, 5: 5},
    ),
    "columns of spaces": Sent(
        table("Here they are.", "", "No   Title               ISRC",
              f"1    Low Lantern         {code(1)}", f"3    Ropewalk Round      {code(3)}", "",
              "Cheers", "Tove"),
        {4: 1, 5: 3},
    ),
    "a head above, a sum below": Sent(
        table("Tidewrack Editions;;;", "TWE-014;;;", "Nr.;Titel;Dauer;ISRC",
              f"1;Low Lantern;3:05;{code(1)}", f"2;Tide Table;2:41;{code(2)}", ";Gesamt;5:46;"),
        {4: 1, 5: 2},
    ),
    "no header": Sent(
        table(f"1;Low Lantern;{code(1)};3:05", f"2;Tide Table;{code(2)};2:41",
              f"3;Ropewalk Round;{code(3)};4:12"),
        {1: 1, 2: 2, 3: 3},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SENT)
def test_rows_and_their_tracks(name: str, tmp_path: Path) -> None:
    sent = SENT[name]
    found = plan(tmp_path, sent.text, name="table.txt")
    assert applied(found) == sent.applied
    assert left_out(found) == sent.left_out
    with_code = set(sent.applied.values()) - sent.without_code
    assert codes(found) == {n: code(n) for n in with_code}
    reported = {f.line for f in found.findings if f.severity == "warning"}
    assert set(sent.left_out) <= reported


def test_a_workbook_with_times_of_day(tmp_path: Path) -> None:
    rows = [["No", "Title", "Time", "ISRC"]]
    rows += [[float(n), TITLES[n][:-1], clock(LENGTHS[n]), code(n)] for n in EIGHT if n != 8]
    found = plan(tmp_path, workbook(tmp_path / "t.xlsx", rows), name="t.xlsx")
    assert applied(found) == {n + 1: n for n in EIGHT if n != 8}
    assert codes(found) == {n: code(n) for n in EIGHT if n != 8}


def test_a_workbook_with_a_heading_page(tmp_path: Path) -> None:
    sheet = [["TWE-014", None, None], [None, None, None], ["Track", "Code ISRC", "Titre"]]
    sheet += [[n, code(n), TITLES[n]] for n in (3, 2, 1)]
    content = workbook(tmp_path / "t.xlsx", [["Sent by Tove"]], sheet)
    assert applied(plan(tmp_path, content, name="t.xlsx")) == {4: 3, 5: 2, 6: 1}


@pytest.mark.parametrize("encoding", ["utf-8-sig", "cp1252", "utf-16", "utf-16-le"])
def test_encodings(encoding: str, tmp_path: Path) -> None:
    text = f"Title,ISRC,Composer\r\nFerryman’s Grace,{code(6)},Sørine Aakre\r\n"
    found = plan(tmp_path, text.encode(encoding))
    assert codes(found) == {6: code(6)}
    assert [c.after for c in found.changes if c.name == "composers"] == ["Sørine Aakre"]


def test_the_person_names_row_and_track(tmp_path: Path) -> None:
    sent = SENT["other spelling alone is not enough"].text
    found = plan(tmp_path, sent, chosen={3: 4})
    assert (applied(found), codes(found)) == ({3: 4}, {4: code(4)})


def test_a_choice_takes_the_track_from_another_row(tmp_path: Path) -> None:
    text = f"Title,ISRC\nLow Lantern,{code(99)}\nLav lykt,{code(1)}\n"
    found = plan(tmp_path, text, chosen={3: 1})
    assert (applied(found), left_out(found)) == ({3: 1}, {2: 1})


def test_two_rows_of_one_title_are_both_left_out(tmp_path: Path) -> None:
    text = f"Title,ISRC\nLow Lantern,{code(1)}\nLOW LANTERN,{code(91)}\n"
    found = plan(tmp_path, text)
    assert (applied(found), left_out(found)) == ({}, {2: 1, 3: 1})
