"""What a disc can hold: IEC 60908 (from memory) and ECMA-130 for 99 tracks, 4 s and 2 s; 74:00,
78:00 and the limit of 79:57 from the order pages of eight plants.
"""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from assembler.manifest.times import parse_frames
from assembler.sequence import TrackSound, lay_out
from assembler.sequence.limits import LimitFinding, limit_findings, limit_setting_finding

FRAME = 588
SECOND = 44100
LIMIT_FRAMES = parse_frames("79:57")


def findings_of(
    *tracks: TrackSound, limit_frames: int = LIMIT_FRAMES
) -> dict[str, list[LimitFinding]]:
    """Findings of one disc by their codes."""
    (disc,) = lay_out(tracks)
    findings: dict[str, list[LimitFinding]] = {}
    for finding in limit_findings(disc, limit_frames):
        findings.setdefault(finding.code, []).append(finding)
    return findings


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
    """A track's length on the disc counts in frames: 299 and a sample occupy 300, which are 4 s."""
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
    """Its 299.4 frames run from frame 300.4 to 599.8: the marks are 300 frames apart."""
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


def test_one_frame_over_names_the_excess_and_the_remedies() -> None:
    found = findings_of(*long_disc(LIMIT_FRAMES + 1))
    (finding,) = found["over-disc-limit"]
    assert finding.severity == "error"
    assert finding.index is None
    message = finding.message
    assert "runs 79:57:01" in message
    assert "00:00:01 over the limit of 79:57:00" in message
    assert "close the gap before track 2 (00:02:00)" in message
    assert "leave out track 3 (09:55:01)" in message
    assert "begin a second disc at track 2" in message
    assert "ask the plant for a limit of 79:57:01" in message
    assert "long-disc" not in found


def test_gaps_too_small_to_help_are_not_offered() -> None:
    """11 s over: the gaps are 4 s in all, and a track of 10 s would not be enough either."""
    tracks = [*long_disc(LIMIT_FRAMES + 75), frames_long(750, 0)]
    (finding,) = findings_of(*tracks)["over-disc-limit"]
    assert "00:11:00 over" in finding.message
    assert "close the gap" not in finding.message
    assert "leave out track 3" in finding.message


def test_for_one_long_track_only_the_plant_can_help() -> None:
    (finding,) = findings_of(frames_long(LIMIT_FRAMES + 1))["over-disc-limit"]
    assert "ask the plant" in finding.message
    assert "leave out" not in finding.message
    assert "second disc" not in finding.message


@pytest.mark.parametrize(
    ("frames", "code", "named"),
    [
        ("74:00:00", None, ""),
        ("74:00:01", "long-disc", "above 74:00 ask the plant"),
        ("78:00:00", "long-disc", "above 74:00 ask the plant"),
        ("78:00:01", "very-long-disc", "above 78:00 many plants refuse"),
        ("79:57:00", "very-long-disc", "waiver"),
    ],
)
def test_above_74_and_78_minutes_it_warns(frames: str, code: str | None, named: str) -> None:
    found = findings_of(*long_disc(parse_frames(frames)))
    assert list(found) == ([code] if code else [])
    if code:
        (finding,) = found[code]
        assert finding.severity == "warning"
        assert finding.index is None
        assert frames in finding.message
        assert named in finding.message


def test_a_limit_above_79_57_is_a_warning() -> None:
    assert limit_setting_finding(parse_frames("79:57")) is None
    finding = limit_setting_finding(parse_frames("79:57:01"))
    assert finding is not None
    assert (finding.severity, finding.code) == ("warning", "high-disc-limit")
    assert "79:57:01" in finding.message


def test_a_long_pause_before_track_1_can_be_shortened() -> None:
    tracks = [
        frames_long(LIMIT_FRAMES - 75),
    ]
    tracks[0] = replace(tracks[0], gap_s=Fraction(4))
    (finding,) = findings_of(*tracks)["over-disc-limit"]
    assert "shorten the pause before track 1 by 00:01:00" in finding.message


def test_a_plants_own_limit_counts() -> None:
    tracks = long_disc(parse_frames("75:00:10"))
    assert "over-disc-limit" in findings_of(*tracks, limit_frames=parse_frames("75:00"))
    assert "over-disc-limit" not in findings_of(*tracks, limit_frames=parse_frames("75:00:10"))
    short = [track(3 * 60 * SECOND)] * 2
    found = findings_of(*short, limit_frames=parse_frames("5:00"))
    assert "over-disc-limit" in found


joins = st.one_of(
    st.sampled_from([Fraction(0), Fraction(2), Fraction(1, 3)]),
    st.integers(1, 9000).map(lambda n: Fraction(n, 1000)),
)
long_tracks = st.builds(
    TrackSound,
    samples=st.integers(8 * SECOND, 300 * SECOND),
    gap_s=joins,
    overlap_s=st.one_of(
        st.just(Fraction(0)), st.integers(1, 3900).map(lambda n: Fraction(n, 1000))
    ),
)


@st.composite
def discs_over(draw: st.DrawFn) -> tuple[list[TrackSound], int, Fraction, int]:
    """Tracks, hidden samples and tail of a disc, and a limit that it exceeds."""
    tracks = draw(st.lists(long_tracks, min_size=1, max_size=8))
    tracks = [replace(t, gap_s=Fraction(0)) if t.overlap_s else t for t in tracks]
    tracks[0] = replace(tracks[0], gap_s=Fraction(2), overlap_s=Fraction(0))
    hidden = draw(st.sampled_from([0, 0, 20 * SECOND + 1]))
    tail_s = draw(st.sampled_from([Fraction(0), Fraction(3), Fraction(10)]))
    (disc,) = lay_out(tracks, hidden_samples=hidden, tail_s=tail_s)
    savings = [
        disc.tail_frames,
        *(p.frames for p in disc.places),
        *(p.gap_frames for p in disc.places),
    ]
    near = st.sampled_from(savings).flatmap(lambda n: st.integers(max(1, n - 2), n + 2))
    over = draw(st.one_of(near, st.integers(1, disc.frames // 2)))
    return tracks, hidden, tail_s, max(1, disc.frames - over)


@settings(deadline=None, max_examples=200)
@given(discs_over())
def test_every_remedy_leads_below_the_limit(
    order: tuple[list[TrackSound], int, Fraction, int],
) -> None:
    """Each remedy of the message is applied to the order, which is laid out again."""
    tracks, hidden, tail_s, limit_frames = order
    (disc,) = lay_out(tracks, hidden_samples=hidden, tail_s=tail_s)
    findings = [f for f in limit_findings(disc, limit_frames) if f.code == "over-disc-limit"]
    remedies = findings[0].message.split(": ", 1)[1].split("; or ")
    for remedy in remedies:
        numbers = [int(n) for n in re.findall(r"\b\d+\b(?!:)", remedy.partition(" (")[0])]
        changed, hidden_changed, tail_changed = list(tracks), hidden, tail_s
        limit = limit_frames
        event(re.sub(r"[ \d:,]+", " ", remedy.partition(" (")[0]))
        if remedy.startswith("close the gap"):
            for number in numbers:
                assert changed[number - 1].gap_s > 0
                changed[number - 1] = replace(changed[number - 1], gap_s=Fraction(0))
        elif remedy.startswith("leave out track"):
            (number,) = numbers
            del changed[number - 1]
            first = replace(changed[0], overlap_s=Fraction(0))
            # The track that opens the disc has the track 1 pause before it.
            changed[0] = replace(first, gap_s=tracks[0].gap_s) if number == 1 else first
        elif remedy.startswith("leave out the hidden sound"):
            hidden_changed = 0
        elif remedy.startswith("shorten the tail"):
            tail_changed = Fraction(0)
        elif remedy.startswith("begin a second disc"):
            (number,) = numbers
            changed[number - 1] = replace(changed[number - 1], opens_disc=2, overlap_s=Fraction(0))
        elif remedy.startswith("ask the plant"):
            limit = parse_frames(remedy.rpartition(" ")[2])
        else:
            assert re.fullmatch(r"divide it over \d+ discs or more", remedy)
            continue
        discs = lay_out(changed, hidden_samples=hidden_changed, tail_s=tail_changed)
        assert all(disc.frames <= limit for disc in discs), remedy


def test_a_second_disc_begins_in_a_pause_rather_than_in_a_segue() -> None:
    """194 s: at track 3 they would break evenly, 112 and 82 s, but it goes on from track 2."""
    tracks = [track(60 * SECOND), track(50 * SECOND), track(20 * SECOND, 0), track(60 * SECOND)]
    (finding,) = findings_of(*tracks, limit_frames=150 * 75)["over-disc-limit"]
    assert "begin a second disc at track 2 (02:12:00 on the longer disc)" in finding.message
    (finding,) = findings_of(*tracks, limit_frames=120 * 75)["over-disc-limit"]
    assert "begin a second disc at track 3 (01:52:00 on the longer disc)" in finding.message


def test_a_track_that_opens_a_disc_has_no_overlap() -> None:
    """50 s and 60 s, 4 s of them together: alone on a disc the second lasts 60 s."""
    second = replace(track(60 * SECOND, 0), overlap_s=Fraction(4))
    tracks = [track(50 * SECOND), second]
    (finding,) = findings_of(*tracks, limit_frames=58 * 75)["over-disc-limit"]
    assert "second disc" not in finding.message
    (finding,) = findings_of(*tracks, limit_frames=60 * 75)["over-disc-limit"]
    assert "begin a second disc at track 2 (01:00:00 on the longer disc)" in finding.message


def test_leaving_out_the_first_track_saves_no_track_1_pause() -> None:
    """Track 1 lasts 10 s; its 2 s of pause are in front of the image, those of track 2 inside."""
    tracks = [track(10 * SECOND), track(60 * SECOND, 1), track(60 * SECOND)]
    (finding,) = findings_of(*tracks, limit_frames=(133 - 11) * 75)["over-disc-limit"]
    assert "leave out track 1 (00:10:00)" in finding.message
    (finding,) = findings_of(*tracks, limit_frames=(133 - 11) * 75 - 1)["over-disc-limit"]
    assert "leave out track 1" not in finding.message
