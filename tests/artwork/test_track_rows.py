"""Durations after titles that run on in one line."""

from __future__ import annotations

import pytest

from assembler.artwork.track_rows import duration_after


@pytest.mark.parametrize(
    ("text", "duration"),
    [
        (" 1:04 · 5 Undertow", ("1", "04")),
        (" Jorun\r\nHald 0:46 · 7 Counting", ("0", "46")),
        (" – Jorun Hald … 0:46", ("0", "46")),
        (" · 5 Undertow 1:16", None),
        (" Jorun Hald · 5 Undertow 1:16", None),
    ],
)
def test_it_is_the_titles_own(text: str, duration: tuple[str, str] | None) -> None:
    found = duration_after(text, "Jorun Hald")
    assert (found and found.groups()) == duration
