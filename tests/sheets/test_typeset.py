"""Lines are filled by measured width, and right-to-left text is printed as it is read."""

from __future__ import annotations

import pytest
from bidi import get_display

from assembler.typeset.pages import Frame, Line, kept, paged
from assembler.typeset.pdf_fonts import width_em
from assembler.typeset.picture_text import text_runs
from assembler.typeset.typeset import filled_lines, in_printed_order, joined, reads_right_to_left


def _filled(text: str, width_pt: float) -> list[str]:
    return filled_lines(joined(text), width_pt, _width_pt)


def _width_pt(text: str) -> float:
    return width_em(text, "regular") * 10


@pytest.mark.parametrize(
    "text",
    [
        "Low water at the stair, and the ferry rope is slack tonight",
        "W" * 80,
        "静かな水の歌は、川の終わりで、潮が止まるときに歌われる。",
        "أغنية طويلة عن الماء الراكد في الميناء حيث ترسو السفن",
        "고요한물의노래" * 6,
        "o\u0328\u0301" * 90,
    ],
)
def test_no_line_is_wider_than_its_room_and_nothing_is_lost(text: str) -> None:
    lines = _filled(text, 100)
    assert len(lines) > 1
    assert max(map(_width_pt, lines)) <= 100
    assert "".join("".join(lines).split()) == "".join(joined(text).split())


def test_lines_break_at_spaces_and_not_in_codes() -> None:
    code = "AA-6Q7-27-00001"
    room = _width_pt(f"ISRC {code}") - 1
    assert _filled(f"ISRC {code} Low", room) == ["ISRC", f"{code} Low"]


def test_japanese_marks_do_not_begin_a_line() -> None:
    lines = _filled("水水水水、水水水水。水水水水」水水水水ー水水", 42)
    assert len(lines) > 3
    assert not [line for line in lines if line[0] in "、。」ー"]


def test_accents_stay_with_their_letters_when_a_word_is_broken() -> None:
    composed = "\u01eb\u0301"  # o with ogonek is one character, the acute stays another
    assert all(line.startswith(composed) for line in _filled("o\u0328\u0301" * 90, 100))


@pytest.mark.parametrize(
    ("text", "answer"),
    [("Slack", False), ("מים", True), ("1991 ماء", True), ("12 – 3", False), ("a מים", False)],
)
def test_direction_is_that_of_the_first_letter(text: str, answer: bool) -> None:
    assert reads_right_to_left(text) is answer


def test_hebrew_is_printed_from_the_right_and_brackets_are_turned() -> None:
    # Unicode Standard Annex 9: rules L2 (reversing) and L4 (mirroring), N0 (pairs of brackets)
    assert in_printed_order("אב (גד)", right_to_left=True) == "(דג) בא"
    assert in_printed_order("אב (1991)", right_to_left=True) == "(1991) בא"
    assert in_printed_order("אב – bells (1, 3)", right_to_left=True) == "bells (1, 3) – בא"
    assert in_printed_order("a (אב) [c]", right_to_left=False) == "a (בא) [c]"
    assert in_printed_order("((אב))", right_to_left=True) == "((בא))"


def test_left_to_right_text_is_left_alone() -> None:
    assert in_printed_order("Slack (1991) 水", right_to_left=False) == "Slack (1991) 水"


def test_a_wrapped_right_to_left_text_keeps_its_first_words_on_the_first_line() -> None:
    lines = _filled("אחת שתיים שלוש ארבע חמש שש שבע שמונה תשע עשר", 90)
    assert lines[0].startswith("אחת")
    assert lines[-1].endswith("עשר")


def test_arabic_letters_are_joined_and_keep_their_vowels() -> None:
    # Unicode's Arabic Presentation Forms-B: beh initial FE91, hah medial FEA4, reh final FEAE
    assert joined("بحر") == "\ufe91\ufea4\ufeae"
    assert joined("لا") == "\ufefb"  # lam with alef is one letter
    assert "\u064e" in joined("مُحَمَّد")


def test_japanese_names_keep_their_own_characters() -> None:
    assert joined("神\ufa19") == "神\ufa19"  # composing would make both the same
    assert joined("か\u3099") == "が"


def test_text_on_pictures_is_drawn_in_reading_order() -> None:
    """Unicode Standard Annex 9, as python-bidi has it."""
    text = "שיר הים 3"
    drawn = "".join(part for _, part in text_runs(text, 16, "regular"))
    assert drawn == get_display(text)
    assert drawn != text


def test_what_overflows_a_frame_is_on_later_pages() -> None:
    # by hand: three lines of 13 pt and 2 pt above each but the first take 43 pt, a fourth 58
    frame = Frame(left=10, right=110, top=60, foot=17, body=10)
    lines = [Line((), 13, 2) for _ in range(5)]
    pages = paged(lines, frame)
    assert [[y for y, _ in page] for page in pages] == [[47, 32, 17], [47, 32]]
    assert len(paged(lines[:3], frame)) == 1


def test_lines_kept_together_move_to_the_next_page_under_its_heads() -> None:
    # by hand: 20 pt of the first page's 50, then 2 × (4 + 16) pt below 5 pt of heads
    frame = Frame(left=0, right=100, top=50, foot=0, body=0)
    lines = [Line((), 20), *kept([Line((), 16, 4, heads=(Line((), 5),))] * 2)]
    assert [[y for y, _ in page] for page in paged(lines, frame)] == [[30], [45, 25, 5]]
