"""The fonts of the package: which characters they have, and which they lack."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from assembler.typeset.fonts import (
    FILES,
    FOLDER,
    NO_GLYPH,
    characters_of,
    font_runs,
    missing_characters,
)
from assembler.typeset.pdf_fonts import registered


@pytest.mark.parametrize("font", FILES)
def test_characters_are_those_that_reportlab_finds(font: str) -> None:
    from reportlab.pdfbase import pdfmetrics

    glyphs = pdfmetrics.getFont(registered(font)).face.charToGlyph
    assert characters_of(font) <= {code for code, glyph in glyphs.items() if glyph}


@pytest.mark.parametrize("font", FILES)
def test_characters_are_those_that_fonttools_finds(font: str) -> None:
    tools = pytest.importorskip("fontTools.ttLib", reason="pip install fonttools")
    with tools.TTFont(FOLDER / FILES[font]) as opened:
        names = opened.getBestCmap()
    assert characters_of(font) == {code for code, name in names.items() if name != ".notdef"}


@pytest.mark.parametrize("font", FILES.values())
def test_every_font_has_its_licence_beside_it(font: str) -> None:
    licences = " ".join(path.read_text(encoding="utf-8") for path in FOLDER.glob("*.txt"))
    family = {"DejaVuSans": "DejaVu Sans", "DejaVuSans-Bold": "DejaVu Sans Bold"}
    name = Path(font).stem
    assert family.get(name, name) in licences


@pytest.mark.parametrize(
    "text",
    [
        "Low Lantern",
        "Ærø, Gävle, Łódź, ź ŵ ő",
        "Ελληνικά, Русский, Հայերեն, ქართული",
        "Tiếng Việt: lặng, nước",
        "ماء راكد، می\u200cخواهم، گ پ چ ژ",
        "שָׁלוֹם",
        "静かな水の歌、ヴァ",
        "고요한 물",
        "\u1112\u1161\u11ab",  # 한 in letters, as file names on some systems have it
        "静水之歌",
        "℗ © – — “” … □",
        "❤\ufe0f a\u200bb \u2067c\u2069",
        "e\u0301 o\u0328",
    ],
)
def test_nothing_is_missing_from(text: str) -> None:
    assert missing_characters(text) == ""


def test_missing_characters_are_returned_once_in_order() -> None:
    assert missing_characters("नमन 🌊 and 🌊 न") == "नम🌊"


def test_latin_greek_and_cyrillic_are_whole() -> None:
    # Unicode blocks Latin-1 to Latin Extended-B, Greek (without gaps) and Cyrillic
    for first, last in ((0xA1, 0x24F), (0x391, 0x3A1), (0x3A3, 0x3FF), (0x400, 0x482)):
        assert missing_characters("".join(map(chr, range(first, last + 1)))) == ""


def test_a_long_list_of_titles_needs_no_typesetter() -> None:
    # 99 tracks is the most a disc has (IEC 60908)
    script = (
        "from assembler.typeset.fonts import missing_characters\n"
        "titles = [f'静かな水 고요한 ماء नम {n}' * 5 for n in range(99)]\n"
        "assert all(missing_characters(title) == 'नम' for title in titles)\n"
        "import sys; print('reportlab' in sys.modules)"
    )
    shown = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        cwd=Path(__file__).parents[2],
    )
    assert shown.stdout == "False\n"
    assert missing_characters("Low Lantern" * 100_000) == ""


def test_runs_change_font_only_where_they_must() -> None:
    assert font_runs("Slack 水 고", "bold") == [
        ("DejaVuSans-Bold", "Slack "),
        ("DroidSansFallback", "水"),
        ("DejaVuSans-Bold", " "),
        ("NanumSquare", "고"),
    ]


def test_a_letter_with_marks_that_no_font_has_is_one_box() -> None:
    assert font_runs("कि a", "regular") == [("DejaVuSans", f"{NO_GLYPH} a")]


def test_an_accent_stays_in_its_letters_font() -> None:
    assert font_runs("o\u0328\u0301", "regular") == [("DejaVuSans", "o\u0328\u0301")]
