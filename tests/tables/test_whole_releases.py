"""Matching on releases of several discs, and with ISRCs from the owner's range."""

from __future__ import annotations

from pathlib import Path

import pytest
from tables.album import applied, code, codes, left_out, manifest, of_kind, plan

from assembler.manifest import load
from assembler.tables.changes import plan_import
from assembler.tables.export import export_table

TWO_DISCS = """\
release: {artist: Halden Ferry Singers, title: Songs}
tracks:
  - {title: Low Lantern, audio: a.wav}
  - {title: Interlude, audio: b.wav}
  - {title: Tide Table, audio: c.wav, disc: 2}
  - {title: Interlude, audio: d.wav}
"""
RANGE = """\
release:
  artist: Halden Ferry Singers
  title: Songs
  isrc: {prefix: AA6Q7, year: 27, first: 41}
tracks:
  - {title: Low Lantern, audio: a.wav}
"""


@pytest.mark.parametrize(
    "rows",
    [
        ("Disc,No,Title,ISRC", "1,1,Low Lantern,{}", "1,2,Interlude,{}", "2,1,Tide Table,{}",
         "2,2,Interlude,{}"),
        ("No,Title,ISRC", "1,Low Lantern,{}", "2,Interlude,{}", "3,Tide Table,{}",
         "4,Interlude,{}"),
        ("Disc,No,Title,ISRC", "1,1,Low Lantern,{}", "1,2,Interlude,{}", "2,3,Tide Table,{}",
         "2,4,Interlude,{}"),
    ],
    ids=["numbers of each disc", "running numbers", "running numbers beside the disc"],
)  # fmt: skip
def test_numbers_of_two_discs(rows: tuple[str, ...], tmp_path: Path) -> None:
    text = "\n".join([rows[0], *(row.format(code(n)) for n, row in enumerate(rows[1:], 1))])
    found = plan(tmp_path, text, text=TWO_DISCS)
    assert applied(found) == {2: 1, 3: 2, 4: 3, 5: 4}
    assert codes(found) == {n: code(n) for n in (1, 2, 3, 4)}


def test_an_export_of_two_discs_comes_back(tmp_path: Path) -> None:
    manifest(tmp_path, TWO_DISCS)
    source = load(tmp_path / "songs.yaml")
    export_table(source, tmp_path / "t.csv")
    found = plan_import(tmp_path / "t.csv", source, {}, may_replace=False)
    assert applied(found) == {2: 1, 3: 2, 4: 3, 5: 4}
    assert found.changes == ()


def test_numbers_that_begin_again_without_a_disc(tmp_path: Path) -> None:
    """Two tracks have the number 2: the title alone can't say which Interlude is meant."""
    rows = [f"1,Low Lantern,{code(1)}", f"2,Interlude,{code(2)}", f"1,Tide Table,{code(3)}"]
    found = plan(tmp_path, "\n".join(["No,Title,ISRC", *rows]), text=TWO_DISCS)
    assert (applied(found), left_out(found)) == ({2: 1, 4: 3}, {3: 2})


def test_a_code_of_the_range_is_not_replaced_silently(tmp_path: Path) -> None:
    table = f"Title,ISRC\nLow Lantern,{code(1)}\n"
    found = plan(tmp_path, table, text=RANGE)
    assert codes(found) == {}
    assert f"the manifest has `{code(41)}`" in of_kind(found, "isrc-clash")[0]
    assert codes(plan(tmp_path, table, text=RANGE, replace=True)) == {1: code(1)}


def test_the_release_artist_is_not_written_to_each_track(tmp_path: Path) -> None:
    table = "Title,Artist,ISRC\nLow Lantern,Halden Ferry Singers,\nTide Table,Jorun Hald,\n"
    found = plan(tmp_path, table, text=TWO_DISCS)
    assert [(c.index, c.key, c.kind) for c in found.changes] == [(2, "artist", "clash")]


def test_two_columns_of_composers_are_one_list(tmp_path: Path) -> None:
    table = "Title,Composer 1,Composer 2\nLow Lantern,Ines Falk,Mattis Oren\n"
    (change,) = plan(tmp_path, table, text=TWO_DISCS).changes
    assert change.value == ("Ines Falk", "Mattis Oren")


def test_an_isrc_that_the_manifest_has_supports_a_match(tmp_path: Path) -> None:
    text = TWO_DISCS.replace("a.wav}", f"a.wav, isrc: {code(1)}}}")
    found = plan(tmp_path, f"Title,ISRC,Composer\nLow Lantrn,{code(1)},Ines Falk\n", text=text)
    assert [(c.key, c.value) for c in found.written] == [("composers", ("Ines Falk",))]
    unlike = plan(tmp_path, f"Title,ISRC,Composer\nNet Loft,{code(1)},Ines Falk\n", text=text)
    assert (applied(unlike), left_out(unlike)) == ({}, {2: 1})


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("Ines Falk, Mattis Oren", ("Ines Falk", "Mattis Oren")),
        ("Ines Falk & Mattis Oren", ("Ines Falk", "Mattis Oren")),
        ("Falk, Ines", None),
        ("Falk, Ines / Oren, Mattis", None),
        ("Falk, Oren", None),
    ],
)
def test_names_with_commas(cell: str, value: tuple[str, ...] | None, tmp_path: Path) -> None:
    """A comma in a name may separate surname and first name, or two surnames: never guessed."""
    found = plan(tmp_path, f'Title,Composer\nLow Lantern,"{cell}"\n', text=TWO_DISCS)
    assert [c.value for c in found.changes] == [value] * (value is not None)
    assert len(of_kind(found, "comma-in-name")) == (value is None)


def test_the_same_names_with_the_surname_first_are_no_clash(tmp_path: Path) -> None:
    text = TWO_DISCS.replace("a.wav}", "a.wav, composers: [Ines Falk, Mattis Oren]}")
    found = plan(tmp_path, 'Title,Composer\nLow Lantern,"Oren, Mattis; Falk, Ines"\n', text=text)
    assert (found.changes, of_kind(found, "comma-in-name")) == ((), [])


@pytest.mark.parametrize(
    ("head", "credited"),
    [
        ("Composer,Author", {"composers": ("Ines Falk",), "lyricists": ("Oda Brenn",)}),
        ("Author,Composer", {"lyricists": ("Ines Falk",), "composers": ("Oda Brenn",)}),
        ("Writer,Composer", {"composers": ("Oda Brenn",)}),
        ("Author,Publisher", {"composers": ("Ines Falk",), "publisher": "Oda Brenn"}),
        ("Lyricist,Lyrics by", {"lyricists": ("Ines Falk",)}),
    ],
)
def test_authors_and_writers_beside_composers(
    head: str, credited: dict[str, object], tmp_path: Path
) -> None:
    table = f"Title,{head}\nLow Lantern,Ines Falk,Oda Brenn\n"
    found = plan(tmp_path, table, text=TWO_DISCS)
    assert {change.key: change.value for change in found.changes} == credited
