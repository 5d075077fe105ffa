"""What a disc holds: IEC 60908 (from memory) and ECMA-130 for 99 tracks, 4 s and 2 s; 74:33 and the
plant's limit are common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from assembler.manifest.times import parse_frames
from assembler.sequence import TrackSound, lay_out
from assembler.sequence.limits import LimitFinding, limit_findings

FRAME = 588
SECOND = 44100
LIMIT_FRAMES = parse_frames("79:57")


def findings_of(
    *tracks: TrackSound, limit_frames: int = LIMIT_FRAMES
) -> dict[str, list[LimitFinding]]:
    """Findings of one disc by their codes."""
    (disc,) = lay_out(tracks)
    found: dict[str, list[LimitFinding]] = {}
    for finding in limit_findings(disc, limit_frames):
        found.setdefault(finding.code, []).append(finding)
    return found


def track(samples: int, gap_s: int | Fraction = 2) -> TrackSound:
    return TrackSound(samples, Fraction(gap_s))


def frames_long(frames: int, gap_s: int | Fraction = 2) -> TrackSound:
    return track(frames * FRAME, gap_s)


def test_99_tracks_fit() -> None:
    assert findings_of(*[track(10 * SECOND)] * 99) == {}


def test_a_hundredth_track_does_not_fit() -> None:
    found = findings_of(*[track(10 * SECOND)] * 100)
    assert list(found) == ["too-many-tracks"]
    (finding,) = found["too-many-tracks"]
    assert finding.severity == "error"
    assert finding.index == 99
    assert "100 tracks" in finding.message
    assert "99" in finding.message
    assert "disc: 2" in finding.message


@pytest.mark.parametrize("samples", [4 * SECOND, 4 * SECOND + 1, 299 * FRAME + 1])
def test_a_track_of_300_frames_fits(samples: int) -> None:
    """A track's length on the disc counts in frames: 299 and a sample take 300, which are 4 s."""
    assert findings_of(track(20 * SECOND), track(samples), track(20 * SECOND)) == {}


@pytest.mark.parametrize(("samples", "shown"), [(299 * FRAME, "3.99 s"), (SECOND, "1.00 s")])
def test_a_track_below_4_s_does_not_fit(samples: int, shown: str) -> None:
    found = findings_of(track(20 * SECOND), track(samples), track(20 * SECOND))
    assert list(found) == ["track-too-short"]
    (finding,) = found["track-too-short"]
    assert finding.severity == "error"
    assert finding.index == 1
    assert "track 2" in finding.message
    assert shown in finding.message
    assert "4 s or more" in finding.message


def test_a_short_track_in_a_segue_counts_from_mark_to_mark() -> None:
    """Its 299.4 frames lie from frame 300.4 to 599.8: the marks are 300 frames apart."""
    tracks = [track(300 * FRAME + 235), track(299 * FRAME + 236, 0), track(20 * SECOND, 0)]
    assert findings_of(*tracks) == {}
    tracks = [frames_long(300), track(299 * FRAME + 236, 0), track(20 * SECOND, 0)]
    assert list(findings_of(*tracks)) == ["track-too-short"]


@pytest.mark.parametrize("gap_s", [0, 1, Fraction(149, 75)])
def test_opening_pause_below_2_s(gap_s: int | Fraction) -> None:
    found = findings_of(track(20 * SECOND, gap_s))
    assert list(found) == ["short-opening-pause"]
    (finding,) = found["short-opening-pause"]
    assert finding.severity == "error"
    assert finding.index == 0
    assert "2 s or more" in finding.message


@pytest.mark.parametrize("gap_s", [2, 3])
def test_opening_pause_of_2_s_or_more(gap_s: int) -> None:
    assert findings_of(track(20 * SECOND, gap_s)) == {}


def long_disc(frames: int) -> list[TrackSound]:
    """Tracks of 39:58 and 30:00, 2 s, and what is left."""
    first, second = parse_frames("39:58"), parse_frames("30:00")
    return [frames_long(first), frames_long(second), frames_long(frames - first - second - 300)]


def test_a_disc_at_its_limit_fits() -> None:
    found = findings_of(*long_disc(LIMIT_FRAMES))
    assert "over-disc-limit" not in found


def test_one_frame_over_says_by_how_much_and_the_ways_back() -> None:
    found = findings_of(*long_disc(LIMIT_FRAMES + 1))
    (finding,) = found["over-disc-limit"]
    assert finding.severity == "error"
    assert finding.index is None
    message = finding.message
    assert "runs 79:57:01" in message
    assert "00:00:01 over the limit of 79:57:00" in message
    assert "shorten gaps, which take 00:04:00 in all" in message
    assert "leave out track 3 (09:55:01)" in message
    assert "open a second disc at track 2" in message
    assert "ask the plant for a limit of 79:57:01" in message
    assert "long-disc" not in found


def test_gaps_too_small_to_help_are_not_offered() -> None:
    """11 s over: the gaps take 4 s, and a track of 10 s would not do it either."""
    tracks = [*long_disc(LIMIT_FRAMES + 75), frames_long(750, 0)]
    (finding,) = findings_of(*tracks)["over-disc-limit"]
    assert "00:11:00 over" in finding.message
    assert "shorten gaps" not in finding.message
    assert "leave out track 3" in finding.message


def test_one_long_track_leaves_the_plant() -> None:
    (finding,) = findings_of(frames_long(LIMIT_FRAMES + 1))["over-disc-limit"]
    assert "ask the plant" in finding.message
    assert "leave out" not in finding.message
    assert "second disc" not in finding.message


@pytest.mark.parametrize(
    ("frames", "noted"), [("74:33:00", False), ("74:33:01", True), ("79:57:00", True)]
)
def test_above_74_33_is_noted(frames: str, noted: bool) -> None:
    found = findings_of(*long_disc(parse_frames(frames)))
    assert list(found) == (["long-disc"] if noted else [])
    if noted:
        (finding,) = found["long-disc"]
        assert finding.severity == "note"
        assert finding.index is None
        assert frames in finding.message
        assert "74:33" in finding.message


def test_a_plants_own_limit_counts() -> None:
    tracks = long_disc(parse_frames("75:00:10"))
    assert "over-disc-limit" in findings_of(*tracks, limit_frames=parse_frames("75:00"))
    assert "over-disc-limit" not in findings_of(*tracks, limit_frames=parse_frames("75:00:10"))
    short = [track(3 * 60 * SECOND)] * 2
    found = findings_of(*short, limit_frames=parse_frames("5:00"))
    assert "over-disc-limit" in found
