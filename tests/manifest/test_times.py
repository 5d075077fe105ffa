"""Times and frames: 75 frames per second (IEC 60908); expected values worked out by hand."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assembler.manifest.times import parse_frames, parse_seconds
from assembler.text import clock_text, duration_text, frames_text


@pytest.mark.parametrize(
    ("text", "time_s"),
    [
        ("0", Fraction(0)),
        ("2", Fraction(2)),
        ("0.35", Fraction(7, 20)),
        (".5", Fraction(1, 2)),
        ("0.1", Fraction(1, 10)),
        ("90", Fraction(90)),
        ("4:12", Fraction(252)),
        ("0:00.35", Fraction(7, 20)),
        ("4:12.8", Fraction(1264, 5)),
        ("79:59.999", Fraction(4799999, 1000)),
        ("1:02:03.5", Fraction(7447, 2)),
        (" 3:10 ", Fraction(190)),
    ],
)
def test_a_time_is_read_exactly(text: str, time_s: Fraction) -> None:
    assert parse_seconds(text) == time_s


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "soon",
        "-1",
        "+1",
        "1e3",
        "inf",
        "nan",
        "0x10",
        "1_000",
        "4,12",
        "4:12,5",
        "1:60",
        "1:60.5",
        "1:60:00",
        "1:00:60",
        "1:2:3:4",
        ":30",
        "4:",
        "4 :12",
        "4.5:12",
        "9" * 41,
        "2 s",
    ],
)
def test_what_is_not_a_time_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(ValueError, match=r"\S") as refused:
        parse_seconds(text)
    assert "\n" not in str(refused.value)


@given(
    st.integers(0, 99), st.integers(0, 59), st.integers(0, 59), st.integers(0, 999), st.booleans()
)
def test_clock_times_are_exact_at_any_value(h: int, m: int, s: int, ms: int, hours: bool) -> None:
    text = f"{h}:{m:02d}:{s:02d}.{ms:03d}" if hours else f"{m}:{s:02d}.{ms:03d}"
    whole = m * 60 + s + (h * 3600 if hours else 0)
    assert parse_seconds(text) == whole + Fraction(ms, 1000)


@given(st.decimals(0, 10**6, places=4))
def test_decimal_seconds_are_exact_at_any_value(seconds: object) -> None:
    assert parse_seconds(f"{seconds:f}") == Fraction(str(seconds))


@pytest.mark.parametrize(
    ("text", "frames"),
    [
        ("0:00", 0),
        ("0:00:01", 1),
        ("0:01", 75),
        ("74:33", 335475),
        ("79:57", 359775),
        ("79:57:74", 359849),
        ("99:59:74", 449999),
        ("100:00", 450000),
    ],
)
def test_disc_times_count_frames(text: str, frames: int) -> None:
    assert parse_frames(text) == frames


@pytest.mark.parametrize(
    "text", ["", "79", "79.57", "-1:00", "1:60", "1:00:75", "1:2", "1:00:5", "1:00:00:00", "x:00"]
)
def test_what_is_not_a_disc_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="disc time"):
        parse_frames(text)


@given(st.integers(0, 99 * 60 * 75 + 74))
def test_frames_survive_being_written_and_read(frames: int) -> None:
    text = frames_text(frames)
    assert re.fullmatch(r"\d\d:[0-5]\d:[0-7]\d", text)
    assert parse_frames(text) == frames


@given(st.integers(0, 80 * 60 - 1), st.integers(0, 74))
def test_frames_are_within_the_second_they_name(seconds: int, rest: int) -> None:
    read = parse_seconds(frames_text(seconds * 75 + rest).rpartition(":")[0])
    assert read == seconds


@given(st.fractions(0, 100_000))
def test_durations_round_half_up_and_keep_seconds_below_sixty(time_s: Fraction) -> None:
    minutes, seconds = map(int, duration_text(time_s).split(":"))
    assert seconds < 60
    assert -Fraction(1, 2) < minutes * 60 + seconds - time_s <= Fraction(1, 2)


@given(st.fractions(0, 100_000))
def test_positions_are_written_to_the_hundredth(time_s: Fraction) -> None:
    text = clock_text(time_s)
    assert re.fullmatch(r"\d+:[0-5]\d\.\d\d", text)
    assert abs(parse_seconds(text) - time_s) <= Fraction(1, 200)
