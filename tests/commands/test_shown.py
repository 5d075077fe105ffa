"""What a terminal of 80 columns shows (80 columns: from memory of the trade)."""

from __future__ import annotations

import unicodedata

import pytest
from desk import MANIFEST, Desk, hum
from rich.cells import cell_len

from assembler.text import decimal, signed

LONG = "The Long and Slow Return of the Ferrymen to the Slack Water at Halden Stairs in Winter"
WIDE = "低いランタンが水の上に揺れる夜の歌とその長い長い題名のつづき"


@pytest.fixture
def narrow(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> Desk:
    """A desk with a terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    return desk


def table_of(out: str) -> list[str]:
    """Return the lines from a table's rule on, with its heading."""
    lines = out.splitlines()
    rules = [number for number, line in enumerate(lines) if set(line.strip()) == {"─"}]
    assert rules
    return lines[rules[0] - 2 :]


def titled() -> str:
    return (
        MANIFEST.replace("Low Lantern", LONG).replace("Tide Table", WIDE)
        + "    isrc: AA-6Q7-20-00047\n"
    )


def test_running_order_fits_80_columns(narrow: Desk) -> None:
    code, out, _ = narrow.run("check", narrow.write(titled()))
    table = [line for line in table_of(out) if "songs.yaml" not in line]
    assert code == 0
    assert max(map(cell_len, table)) <= 80
    text = "\n".join(table)
    for word in ("00:07:00", "AA-6Q7-20-00047", "none assigned", "79:57:00"):
        assert word in text


def test_whole_titles_are_shown_in_the_running_order(narrow: Desk) -> None:
    _, out, _ = narrow.run("check", narrow.write(titled()))
    letters = "".join(sign for line in table_of(out) for sign in line if sign.strip())
    words = [word for word in LONG.split() if word not in letters]
    assert words == []
    assert sum(unicodedata.east_asian_width(sign) == "W" for sign in letters) == len(WIDE)


def test_levels_fit_80_columns(narrow: Desk) -> None:
    code, out, _ = narrow.run("build", narrow.write(titled()), "--out", narrow.out)
    assert code == 0
    table = [line for line in table_of(out) if str(narrow.out) not in line]
    assert max(map(cell_len, table)) <= 80
    text = "\n".join(table)
    assert "−14.0" in text
    assert "…" not in text


def test_measurements_fit_80_columns(narrow: Desk) -> None:
    code, out, _ = narrow.run("measure", narrow.write(titled()))
    assert code == 0
    table = table_of(out)
    assert max(map(cell_len, table)) <= 80
    assert "LUFS" in "\n".join(table)
    assert "…" not in "\n".join(table)


def test_measuring_a_silent_file_shows_a_dash(narrow: Desk) -> None:
    silence = narrow.sound("silence.wav", 0 * hum())
    code, out, _ = narrow.run("measure", silence)
    assert code == 0
    assert "–" in out
    assert "inf" not in out
    assert "nan" not in out.lower()


def test_many_findings_of_a_kind_are_summed_up(narrow: Desk) -> None:
    head = MANIFEST[: MANIFEST.index("tracks:")]
    tracks = "".join(f"  - title: Piece {n}\n    audio: a.wav\n" for n in range(30))
    code, out, _ = narrow.run("check", narrow.write(f"{head}tracks:\n{tracks}"))
    assert code == 0
    assert out.count("has no ISRC: ask") == 1
    assert "likewise tracks 2–30" in " ".join(out.split())


def test_every_error_is_shown(narrow: Desk) -> None:
    head = MANIFEST[: MANIFEST.index("tracks:")]
    tracks = "".join(f"  - title: Piece {n}\n    audio: gone{n}.wav\n" for n in range(30))
    code, out, _ = narrow.run("check", narrow.write(f"{head}tracks:\n{tracks}"))
    assert code == 1
    assert [n for n in range(30) if f"gone{n}.wav" not in out] == []


def test_signs_of_markup_in_a_title_are_shown_as_they_are(narrow: Desk) -> None:
    text = MANIFEST.replace("Low Lantern", "'[red]Low[/red] [link=x]'")
    code, out, _ = narrow.run("check", narrow.write(text))
    assert code == 0
    assert "[red]Low[/red]" in out


@pytest.mark.parametrize(
    ("value", "text"), [(None, "–"), (-0.04, "0.0"), (-14.04, "−14.0"), (3.26, "3.3")]
)
def test_no_negative_zero(value: float | None, text: str) -> None:
    assert decimal(value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(None, "–"), (-0.01, "+0.0"), (-2.277, "−2.3"), (11.37, "+11.4")]
)
def test_signs(value: float | None, text: str) -> None:
    assert signed(value) == text
