"""Frame arithmetic against values worked out by hand from ECMA-130 (75 sectors a second, 2,352
bytes or 588 stereo samples each); LBA 0 = 00:02:00 is MMC's, from memory.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assembler.manifest.times import parse_frames
from assembler.sequence.frames import SAMPLES_PER_FRAME, frame_after, nearest_frame, samples_at
from assembler.text import frames_text

SAMPLES_IN_A_FRAME = {
    44100: 588,
    48000: 640,
    88200: 1176,
    96000: 1280,
    176400: 2352,
    192000: 2560,
}


def test_a_sector_is_588_stereo_samples() -> None:
    assert SAMPLES_PER_FRAME == 588 == 2352 // 4
    assert 75 * SAMPLES_PER_FRAME == 44100


@pytest.mark.parametrize(("rate_hz", "samples"), SAMPLES_IN_A_FRAME.items())
@pytest.mark.parametrize("frames", [0, 1, 2, 74, 75, 4500, 335_475, 359_775])
def test_frames_are_whole_samples_at_common_rates(rate_hz: int, samples: int, frames: int) -> None:
    assert samples_at(frames, rate_hz) == frames * samples


@pytest.mark.parametrize(
    ("frames", "samples"), [(0, 0), (1, 427), (2, 853), (3, 1280), (75, 32000)]
)
def test_frames_between_samples_are_rounded_half_up(frames: int, samples: int) -> None:
    """32 kHz: 426.67 samples per frame."""
    assert samples_at(frames, 32000) == samples


@pytest.mark.parametrize(
    ("samples", "after", "nearest"),
    [
        (0, 0, 0),
        (1, 1, 0),
        (293, 1, 0),
        (294, 1, 1),
        (295, 1, 1),
        (587, 1, 1),
        (588, 1, 1),
        (589, 2, 1),
        (881, 2, 1),
        (882, 2, 2),
        (44099, 75, 75),
        (44100, 75, 75),
        (44101, 76, 75),
        (176_400, 300, 300),
        (197_259_300, 335_475, 335_475),
        (211_547_700, 359_775, 359_775),
    ],
)
def test_frames_of_samples(samples: int, after: int, nearest: int) -> None:
    assert frame_after(samples) == after
    assert nearest_frame(samples) == nearest


def test_frame_after_a_fraction_of_a_sample() -> None:
    assert frame_after(Fraction(588)) == 1
    assert frame_after(Fraction(588) + Fraction(1, 1000)) == 2
    assert frame_after(Fraction(44100, 75) * 10 - Fraction(1, 3)) == 10


@given(st.integers(0, 10**10))
def test_rounding_between_samples_and_frames(samples: int) -> None:
    assert 0 <= frame_after(samples) * 588 - samples < 588
    assert -294 < nearest_frame(samples) * 588 - samples <= 294


@pytest.mark.parametrize(
    ("text", "frames"),
    [
        ("00:00:00", 0),
        ("00:00:01", 1),
        ("00:00:74", 74),
        ("00:01:00", 75),
        ("00:02:00", 150),
        ("01:00:00", 4500),
        ("04:12:60", 18_960),
        ("74:33:00", 335_475),
        ("79:57:00", 359_775),
        ("79:59:74", 359_999),
        ("99:59:74", 449_999),
    ],
)
def test_disc_time(text: str, frames: int) -> None:
    assert parse_frames(text) == frames
    assert frames_text(frames) == text


@pytest.mark.parametrize(
    ("lba", "msf"), [(0, "00:02:00"), (-150, "00:00:00"), (1, "00:02:01"), (16, "00:02:16")]
)
def test_image_frame_0_is_disc_time_2_s(lba: int, msf: str) -> None:
    opening_frames = parse_frames("0:02")
    assert frames_text(lba + opening_frames) == msf


@given(st.integers(0, 449_999))
def test_disc_time_reads_back(frames: int) -> None:
    assert parse_frames(frames_text(frames)) == frames


@pytest.mark.parametrize(
    "text", ["", "1", "1:60", "1:00:75", "1:0", "-1:00", "1:00:1", "1:00:00:00"]
)
def test_what_is_not_a_disc_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="disc time"):
        parse_frames(text)
