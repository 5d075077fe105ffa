"""Credits: each name once, roles with the tracks they are on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sheets.made_sheet import Made

from assembler.manifest import load
from assembler.sheets.people import all_names, twin_names
from assembler.text import number_ranges

RELEASE = """
release: {artist: A, title: B}
tracks: [{title: One, audio: a}, {title: Two, audio: a}, {title: Three, audio: a}]
credits:
"""


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ([1, 2, 3, 5], "1–3, 5"),
        ([3, 1], "1, 3"),
        ([1, 2], "1, 2"),
        ([7, 8, 9, 9, 10], "7–10"),
        ([4], "4"),
        ([], ""),
    ],
)
def test_three_numbers_in_a_row_become_a_range(numbers: list[int], text: str) -> None:
    assert number_ranges(numbers) == text


@pytest.mark.parametrize(
    ("credits", "performers", "production"),
    [
        (
            "  - {name: Mattis Oren, roles: [harmonium, arranger], tracks: [1, 3]}",
            "Mattis Oren – harmonium, arranger (1, 3)",
            None,
        ),
        (
            "  - {name: Ines Falk, roles: [voice], tracks: [1]}\n"
            "  - {name: Ines Falk, roles: [mastering]}\n"
            "  - {name: Ines  Falk, roles: [voice], tracks: [2]}",
            "Ines Falk – voice (1, 2)",
            "Ines Falk – mastering",
        ),
        (
            "  - {name: Oda Brenn, roles: [cello], tracks: [2]}\n"
            "  - {name: Oda Brenn, roles: [voice]}",
            "Oda Brenn – voice; cello (2)",
            None,
        ),
        ("  - {name: Mattis Oren, roles: [arranger]}", None, "Mattis Oren – arranger"),
        ("  - {name: Oda Brenn, roles: [voice], tracks: [1, 2, 3]}", "Oda Brenn – voice", None),
    ],
)
def test_credits_are_merged_by_name(
    made: Callable[..., Made], credits: str, performers: str | None, production: str | None
) -> None:
    sheet = made(RELEASE + credits)
    for title, text in (("Performers", performers), ("Production", production)):
        assert (f"\n{title}\n" in sheet.text) == (text is not None)
        if text:
            assert sheet.block(title) == text


@pytest.mark.parametrize(
    ("names", "twins"),
    [
        (["Sørine Aakre", "Oda Brenn", "Sorine Aakre"], [("Sørine Aakre", "Sorine Aakre")]),
        (["Łucja", "Lucja", "LUCJA"], [("Łucja", "Lucja"), ("Łucja", "LUCJA")]),
        (["René Falk", "RENE FALK"], [("René Falk", "RENE FALK")]),
        (["Straße", "STRASSE"], [("Straße", "STRASSE")]),
        (["J. R. Lund", "J.R. Lund"], [("J. R. Lund", "J.R. Lund")]),
        (["Анна Королёва", "Анна Королева"], [("Анна Королёва", "Анна Королева")]),
        (["Ελένη", "Ελενη"], [("Ελένη", "Ελενη")]),
        (["Cafe\u0301", "Caf\u00e9"], []),  # one spelling, in two ways of writing it down
        (["Ines  Falk", "Ines Falk"], []),
        (["Ines Falk", "Ines Falck", "Ina Falk"], []),
        (["か", "が"], []),  # two letters, not one with an accent
        (["कि", "की"], []),
        (["!!!", "???"], []),
        ([], []),
    ],
)
def test_names_that_differ_by_accents_or_case_are_found(
    names: list[str], twins: list[tuple[str, str]]
) -> None:
    assert twin_names(names) == twins


def test_all_names_are_those_of_the_whole_manifest(tmp_path: Path) -> None:
    path = tmp_path / "m.yaml"
    path.write_text(
        """
release: {artist: Halden Ferry Singers, title: B}
tracks:
  - {title: One, audio: a, artist: Jorun Hald, composers: [Ines Falk], lyricists: [Oda Brenn],
     arrangers: [Mattis Oren]}
credits:
  - {name: Peer Lund, roles: [mastering]}
""",
        encoding="utf-8",
    )
    assert all_names(load(path).manifest) == (
        "Halden Ferry Singers",
        "Jorun Hald",
        "Ines Falk",
        "Oda Brenn",
        "Mattis Oren",
        "Peer Lund",
    )
