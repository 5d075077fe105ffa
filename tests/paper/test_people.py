"""Credits: each name once, roles with the tracks they are on."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from paper.made_sheet import Made

from assembler.paper.people import number_ranges

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
