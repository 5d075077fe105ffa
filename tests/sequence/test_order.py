"""The running order on the frame grid: gaps, segues and marks, checked with exact fractions of a
sample.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assembler.sequence import DiscOrder, TrackSound, lay_out

FRAME = 588  # samples
SECOND = 44100

gaps_s = st.one_of(
    st.just(Fraction(0)),
    st.sampled_from([Fraction(2), Fraction(1, 75), Fraction(7, 20), Fraction(1, 3)]),
    st.fractions(0, 12, max_denominator=1000),
)
sounds = st.builds(
    TrackSound,
    samples=st.one_of(
        st.integers(4 * SECOND, 60 * SECOND),
        st.integers(300, 5000).map(lambda frames: frames * FRAME),
        st.integers(300, 5000).map(lambda frames: frames * FRAME + FRAME // 2),
    ),
    gap_s=gaps_s,
)


@st.composite
def running_orders(draw: st.DrawFn) -> list[TrackSound]:
    tracks = draw(st.lists(sounds, min_size=1, max_size=25))
    openings = draw(st.sets(st.integers(1, len(tracks)), max_size=3)) - {len(tracks)}
    numbers = {index: number for number, index in enumerate(sorted(openings), start=2)}
    return [
        TrackSound(track.samples, track.gap_s, numbers.get(index))
        for index, track in enumerate(tracks)
    ]


def sound_positions(disc: DiscOrder, tracks: list[TrackSound]) -> list[tuple[int, int]]:
    """First sample of each track's sound on its disc and the one after its last."""
    positions = []
    for passage in disc.passages:
        position = passage.start_frame * FRAME
        for place in passage.places:
            positions.append((position, position + tracks[place.index].samples))
            position += tracks[place.index].samples
    return positions


def nothing_is_lost(tracks: list[TrackSound]) -> None:
    discs = lay_out(tracks)
    placed = [place.index for disc in discs for place in disc.places]
    assert placed == list(range(len(tracks)))
    openings = [0, *(i for i, track in enumerate(tracks) if track.opens_disc)]
    assert [disc.places[0].index for disc in discs] == openings
    assert [disc.number for disc in discs] == list(range(1, len(discs) + 1))
    for disc in discs:
        numbers = [place.number for place in disc.places]
        assert numbers == list(range(1, len(numbers) + 1))
        for passage in disc.passages:
            samples = sum(tracks[place.index].samples for place in passage.places)
            assert samples <= passage.room_frames * FRAME


def gaps_are_as_long_as_set(tracks: list[TrackSound]) -> None:
    for disc in lay_out(tracks):
        positions = sound_positions(disc, tracks)
        for n, (place, before) in enumerate(pairwise(reversed(disc.places))):
            gap = tracks[place.index].gap_s * SECOND
            sound_end = positions[len(positions) - 2 - n][1]
            if gap == 0:
                assert place.gap_frames == 0
                assert place.start_frame == before.end_frame
            else:
                silence = place.start_frame * FRAME - sound_end
                assert gap <= silence < gap + FRAME
                # The pause begins on the first frame without sound.
                assert 0 <= before.end_frame * FRAME - sound_end < FRAME


def marks_are_on_the_nearest_frame(tracks: list[TrackSound]) -> None:
    for disc in lay_out(tracks):
        for place, (start, _) in zip(disc.places, sound_positions(disc, tracks), strict=True):
            moved = place.start_frame * FRAME - start
            assert 2 * abs(moved) <= FRAME
            if place.gap_frames or place.number == 1:
                assert moved == 0


def places_follow_each_other(tracks: list[TrackSound]) -> None:
    for disc in lay_out(tracks):
        assert disc.places[0].start_frame == disc.pause_in_image_frames
        for place in disc.places:
            assert place.start_frame < place.end_frame
            assert place.frames == place.end_frame - place.start_frame
        for before, place in pairwise(disc.places):
            assert before.end_frame + place.gap_frames == place.start_frame
        assert disc.places[-1].end_frame == disc.frames
        sound = sum(place.frames for place in disc.places)
        pauses = sum(place.gap_frames for place in disc.places[1:])
        assert disc.frames == disc.pause_in_image_frames + sound + pauses


def passages_are_the_segues(tracks: list[TrackSound]) -> None:
    for disc in lay_out(tracks):
        for passage in disc.passages:
            assert passage.start_frame == passage.places[0].start_frame
            starts = [place.start_frame for place in passage.places]
            assert list(passage.marks) == [start - passage.start_frame for start in starts]
            assert all(tracks[place.index].gap_s == 0 for place in passage.places[1:])
        for passage in disc.passages[1:]:
            assert tracks[passage.places[0].index].gap_s > 0
        for passage, following in pairwise(disc.passages):
            assert passage.start_frame + passage.room_frames == following.start_frame
        last = disc.passages[-1]
        assert last.start_frame + last.room_frames == disc.frames


def the_first_2_s_of_the_track_1_pause_precede_the_image(tracks: list[TrackSound]) -> None:
    for disc in lay_out(tracks):
        gap = tracks[disc.places[0].index].gap_s * 75
        assert disc.opening_pause_frames == disc.places[0].gap_frames
        assert gap <= disc.opening_pause_frames < gap + 1
        beyond = max(0, disc.opening_pause_frames - 150)
        assert disc.pause_in_image_frames == disc.places[0].start_frame == beyond
        assert disc.places[0].pause_start_frame == (0 if beyond else None)


CHECKS = (
    nothing_is_lost,
    gaps_are_as_long_as_set,
    marks_are_on_the_nearest_frame,
    places_follow_each_other,
    passages_are_the_segues,
    the_first_2_s_of_the_track_1_pause_precede_the_image,
)


@settings(deadline=None, max_examples=100)
@given(running_orders())
def test_any_order(tracks: list[TrackSound]) -> None:
    """One test: an order takes longer to draw than all that is checked of it."""
    for check in CHECKS:
        check(tracks)


def test_three_tracks_by_hand() -> None:
    """10 s and one sample; 2 s of gap; 5 s that segue half a frame later into 6 s."""
    tracks = [
        TrackSound(441_001, Fraction(2)),
        TrackSound(5 * SECOND + 294, Fraction(2)),
        TrackSound(6 * SECOND, Fraction(0)),
    ]
    (disc,) = lay_out(tracks)
    first, second, third = disc.places
    # The sound ends at 441,001 samples, frame 751; 2 s on are 529,201 samples, so frame 901.
    assert (first.start_frame, first.end_frame, first.gap_frames) == (0, 751, 150)
    assert (second.start_frame, second.gap_frames) == (901, 150)
    # It ends at 901 + 375.5 frames: half a frame is rounded up.
    assert second.end_frame == third.start_frame == 1277
    assert third.gap_frames == 0
    # 901 + 375.5 + 450 frames, rounded up.
    assert disc.frames == third.end_frame == 1727
    assert [passage.marks for passage in disc.passages] == [(0,), (0, 376)]
    assert [passage.room_frames for passage in disc.passages] == [901, 826]


def test_two_discs_by_hand() -> None:
    minute = 60 * SECOND
    tracks = [
        TrackSound(minute, Fraction(2)),
        TrackSound(minute, Fraction(0)),
        TrackSound(minute, Fraction(3), opens_disc=2),
        TrackSound(minute, Fraction(1)),
    ]
    first, second = lay_out(tracks)
    assert (first.number, second.number) == (1, 2)
    assert (first.frames, second.frames) == (9000, 9150)
    assert (first.pause_in_image_frames, second.pause_in_image_frames) == (0, 75)
    assert (first.opening_pause_frames, second.opening_pause_frames) == (150, 225)
    assert [(p.index, p.number, p.start_frame) for p in second.places] == [(2, 1, 75), (3, 2, 4650)]
    assert second.places[0].points == ((0, 0), (1, 75))


@pytest.mark.parametrize("gap_s", [Fraction(0), Fraction(2)])
def test_a_segue_into_a_new_disc_is_a_start(gap_s: Fraction) -> None:
    tracks = [TrackSound(SECOND * 5 + 1, Fraction(2)), TrackSound(SECOND * 5, gap_s, 2)]
    first, second = lay_out(tracks)
    assert first.frames == 376
    assert second.places[0].start_frame == 0
    assert second.frames == 375


def test_without_tracks_there_are_no_discs() -> None:
    assert lay_out([]) == ()
