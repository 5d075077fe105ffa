"""ISRC by ISO 3901:2019 and the ISRC Handbook's invented example AA-6Q7-20-00047; barcodes by the
GS1 General Specifications with their example 629104150021 and check digit 3."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assembler.manifest.codes import ean13, gs1_check_digit, isrc_text, parse_barcode, parse_isrc

TWELVE_DIGITS = st.text("0123456789", min_size=12, max_size=12)
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
DIGITS = "0123456789"


@pytest.mark.parametrize(
    "text",
    [
        "AA-6Q7-20-00047",
        "AA6Q72000047",
        "ISRC AA-6Q7-20-00047",
        "ISRC: AA-6Q7-20-00047",
        "isrc aa-6q7-20-00047",
        " AA 6Q7 20 00047 ",
        "AA–6Q7–20–00047",
        "AA-6Q-720-00047-",
    ],
)
def test_the_handbooks_example_is_read_in_every_usual_form(text: str) -> None:
    assert parse_isrc(text) == "AA6Q72000047"


def test_an_isrc_is_printed_with_hyphens() -> None:
    assert isrc_text("AA6Q72000047") == "AA-6Q7-20-00047"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "ISRC",
        "AA-6Q7-20-0047",
        "AA-6Q7-20-000470",
        "A1-6Q7-20-00047",
        "12-6Q7-20-00047",
        "AA-6Q7-2O-00047",
        "AA-6Q7-20-0004O",
        "AA.6Q7.20.00047",
        "AA-6Q7-٢٠-00047",
        "ÄA-6Q7-20-00047",
    ],
)
def test_what_is_not_an_isrc_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match="AA-6Q7-20-00047"):
        parse_isrc(text)


@given(
    st.text(LETTERS, min_size=2, max_size=2),
    st.text(LETTERS + DIGITS, min_size=3, max_size=3),
    st.text(DIGITS, min_size=7, max_size=7),
)
def test_every_isrc_survives_being_printed_and_read(country: str, owner: str, rest: str) -> None:
    code = country + owner + rest
    assert parse_isrc(isrc_text(code)) == code


def test_gs1s_example_has_the_check_digit_3() -> None:
    assert gs1_check_digit("629104150021") == 3
    assert parse_barcode("6291041500213") == "6291041500213"


@pytest.mark.parametrize("text", ["6291041500213", "629-104150021-3", "6 291041 500213"])
def test_a_barcode_may_be_grouped(text: str) -> None:
    assert parse_barcode(text) == "6291041500213"


def test_a_upc_a_is_an_ean_13_with_a_leading_zero() -> None:
    upc = "036000291452"
    assert parse_barcode(upc) == upc
    assert ean13(upc) == "0036000291452"
    assert parse_barcode(ean13(upc)) == "0036000291452"


@pytest.mark.parametrize(
    "text", ["", "629104150021", "62910415002134", "12345670", "629104150021X", "٦291041500213"]
)
def test_what_is_not_a_barcode_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"barcode|check digit"):
        parse_barcode(text)


def test_a_wrong_check_digit_is_reported_with_the_right_one() -> None:
    with pytest.raises(ValueError, match=r"check digit .* is 4\b.*require 3\b"):
        parse_barcode("6291041500214")


@given(TWELVE_DIGITS)
def test_the_weighted_sum_of_all_digits_is_a_multiple_of_ten(digits: str) -> None:
    code = parse_barcode(f"{digits}{gs1_check_digit(digits)}")
    weighted = sum(int(digit) * (1, 3)[place % 2] for place, digit in enumerate(code))
    assert weighted % 10 == 0


@given(TWELVE_DIGITS, st.integers(0, 12), st.integers(1, 9))
def test_any_single_changed_digit_is_refused(digits: str, place: int, by: int) -> None:
    code = f"{digits}{gs1_check_digit(digits)}"
    changed = code[:place] + str((int(code[place]) + by) % 10) + code[place + 1 :]
    with pytest.raises(ValueError, match="check digit"):
        parse_barcode(changed)
