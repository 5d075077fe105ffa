"""Running orders with everything in them: gaps, segues, overlaps, index points, hidden sound, tail,
several discs. The position of every sound is worked out here sample by sample and compared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assembler.sequence import DiscOrder, TrackPlace, TrackSound, lay_out

FRAME = 588  # samples
SECOND = 44100
TWO_FRAMES = 2 * FRAME

lengths = st.one_of(
    st.integers(5 * SECOND, 90 * SECOND),
    st.integers(375, 5000).map(lambda frames: frames * FRAME + FRAME // 2),
)
times_s = st.one_of(
    st.sampled_from([Fraction(2), Fraction(1, 75), Fraction(1, 150), Fraction(1, 3)]),
    st.fractions(Fraction(1, 1000), 12, max_denominator=1000),
)


@dataclass(frozen=True)
class Arrangement:
    """What an order is laid out from."""

    tracks: list[TrackSound]
    hidden_samples: int
    tail_s: Fraction

    @property
    def discs(self) -> tuple[DiscOrder, ...]:
        return lay_out(self.tracks, hidden_samples=self.hidden_samples, tail_s=self.tail_s)


@st.composite
def orders(draw: st.DrawFn) -> Arrangement:
    """Orders that the check lets through: overlaps have room, index points lie inside."""
    count = draw(st.integers(1, 12))
    samples = draw(st.lists(lengths, min_size=count, max_size=count))
    joins = draw(st.lists(st.sampled_from(["gap", "segue", "overlap"]), min_size=count))
    hidden = draw(st.one_of(st.just(0), st.integers(1, 60 * SECOND)))
    tracks: list[TrackSound] = []
    for index, length in enumerate(samples):
        opens = draw(st.sampled_from([None, None, None, 2])) if index else None
        join = "gap" if opens or not index else joins[index % len(joins)]
        gap_s = draw(times_s) if join == "gap" else Fraction(0)
        overlap_s = Fraction(0)
        if join == "overlap":
            room_s = Fraction(min(samples[index - 1], length), SECOND) / 2 - Fraction(1, 10)
            overlap_s = draw(_milliseconds(Fraction(1, 1000), room_s))
        tracks.append(TrackSound(length, gap_s, opens, overlap_s))
    openings = [index for index, track in enumerate(tracks) if track.opens_disc]
    for number, index in enumerate(openings, 2):
        tracks[index] = replace(tracks[index], opens_disc=number)
    for index, track in enumerate(tracks):
        after = tracks[index + 1].overlap_s if index + 1 < count else Fraction(0)
        points_s = draw(_points(Fraction(track.samples, SECOND) - after))
        tracks[index] = replace(track, points_s=points_s)
    return Arrangement(tracks, hidden, draw(st.one_of(st.just(Fraction(0)), times_s)))


def _milliseconds(least_s: Fraction, most_s: Fraction) -> st.SearchStrategy[Fraction]:
    first, last = -(-least_s * 1000 // 1), most_s * 1000 // 1
    return st.integers(int(first), int(last)).map(lambda n: Fraction(n, 1000))


def _points(room_s: Fraction) -> st.SearchStrategy[tuple[Fraction, ...]]:
    """Index points two frames clear of each other and of both ends."""
    distance_s = Fraction(2, 75)

    def clear(points_s: list[Fraction]) -> tuple[Fraction, ...]:
        kept = [Fraction(0)]
        for point_s in sorted(points_s):
            if point_s - kept[-1] >= distance_s:
                kept.append(point_s)
        return tuple(kept[1:])

    inside = st.one_of(
        _milliseconds(distance_s, room_s - distance_s),
        st.sampled_from([distance_s, 2 * distance_s, room_s - distance_s]),
    )
    return st.lists(inside, max_size=4).map(clear)


def sounds_of(disc: DiscOrder, arrangement: Arrangement) -> list[tuple[TrackPlace, int, int]]:
    """Each track's first sample on its disc, and the one after its last, from its passage on."""
    found = []
    for passage in disc.passages:
        end = passage.start_frame * FRAME
        for place in passage.places:
            track = arrangement.tracks[place.index]
            together = int(track.overlap_s * SECOND + Fraction(1, 2))
            start = end - together
            end = start + track.samples
            found.append((place, start, end))
    return found


def nothing_is_lost(arrangement: Arrangement) -> None:
    placed = [place.index for disc in arrangement.discs for place in disc.places]
    assert placed == list(range(len(arrangement.tracks)))
    for disc in arrangement.discs:
        assert [place.number for place in disc.places] == list(range(1, len(disc.places) + 1))
        rooms = [passage.room_frames for passage in disc.passages]
        starts = [passage.start_frame for passage in disc.passages]
        assert [a + room for a, room in zip(starts, rooms, strict=True)] == [
            *starts[1:],
            disc.frames,
        ]
        ends = [end for _, _, end in sounds_of(disc, arrangement)]
        last_of_passage = [passage.places[-1].index for passage in disc.passages]
        by_index = dict(zip([p.index for p in disc.places], ends, strict=True))
        for index, start, room in zip(last_of_passage, starts, rooms, strict=True):
            assert by_index[index] <= (start + room) * FRAME


def gaps_are_as_long_as_set_and_less_than_a_frame_longer(arrangement: Arrangement) -> None:
    for disc in arrangement.discs:
        sounds = sounds_of(disc, arrangement)
        if disc.hidden:
            assert disc.hidden.start_frame == 0
            sounds.insert(0, (sounds[0][0], 0, arrangement.hidden_samples))
        for (_, _, before), (place, start, _) in pairwise(sounds):
            gap_samples = arrangement.tracks[place.index].gap_s * SECOND
            if gap_samples:
                assert gap_samples <= start - before < gap_samples + FRAME
                # The pause, index 00 to 01, begins on the first frame without sound.
                pause = (place.start_frame - place.gap_frames) * FRAME
                assert 0 <= pause - before < FRAME
            else:
                assert place.gap_frames == 0


def starts_are_on_the_nearest_frame(arrangement: Arrangement) -> None:
    for disc in arrangement.discs:
        for place, start, _ in sounds_of(disc, arrangement):
            assert 2 * abs(place.start_frame * FRAME - start) <= FRAME
            for frame, point_s in zip(
                place.further_frames, arrangement.tracks[place.index].points_s, strict=True
            ):
                exact = start + point_s * SECOND
                assert abs(frame * FRAME - exact) <= Fraction(FRAME, 2) + Fraction(1, 2)


def indexes_rise_through_the_image(arrangement: Arrangement) -> None:
    for disc in arrangement.discs:
        points = [(frame, number) for place in disc.places for number, frame in place.points]
        frames = [frame for frame, _ in points]
        assert frames == sorted(set(frames))
        assert frames[0] >= 0
        assert frames[-1] < disc.frames
        for place in disc.places:
            numbers = [number for number, _ in place.points]
            assert numbers in (
                list(range(1, 2 + len(place.further_frames))),
                list(range(2 + len(place.further_frames))),
            )
            inside = place.start_frame > 0 if place.number == 1 else place.gap_frames > 0
            assert (numbers[0] == 0) == inside


def total_is_the_sum(arrangement: Arrangement) -> None:
    for disc in arrangement.discs:
        tail_samples = arrangement.tail_s * SECOND
        assert tail_samples <= disc.tail_frames * FRAME < tail_samples + FRAME
        sound = sum(place.frames for place in disc.places)
        pauses = sum(place.gap_frames for place in disc.places[1:])
        first = disc.places[0]
        hidden = 0
        if disc.hidden:
            hidden = first.start_frame
            assert disc.hidden.room_frames == hidden
            assert hidden == -(-arrangement.hidden_samples // FRAME) + first.gap_frames
        else:
            hidden = max(0, disc.opening_pause_frames - 150)
            assert first.start_frame == disc.pause_in_image_frames == hidden
        assert disc.frames == hidden + sound + pauses + disc.tail_frames
        assert disc.places[-1].end_frame + disc.tail_frames == disc.frames


def hidden_sound_is_the_first_discs_alone(arrangement: Arrangement) -> None:
    first, *others = arrangement.discs
    assert (first.hidden is not None) == (arrangement.hidden_samples > 0)
    assert all(disc.hidden is None for disc in others)
    for disc in arrangement.discs:
        gap_s = arrangement.tracks[disc.places[0].index].gap_s
        opening_s = Fraction(2) if disc.hidden else gap_s
        assert opening_s * 75 <= disc.opening_pause_frames < opening_s * 75 + 1
        if disc.hidden:
            assert disc.places[0].points[0] == (0, 0)


CHECKS = (
    nothing_is_lost,
    gaps_are_as_long_as_set_and_less_than_a_frame_longer,
    starts_are_on_the_nearest_frame,
    indexes_rise_through_the_image,
    total_is_the_sum,
    hidden_sound_is_the_first_discs_alone,
)


@pytest.mark.thorough
@settings(deadline=None, max_examples=150)
@given(orders())
def test_any_order(arrangement: Arrangement) -> None:
    """One test: an order takes longer to draw than all that is checked of it."""
    for check in CHECKS:
        check(arrangement)


def test_an_overlap_by_hand() -> None:
    """10 s; 8 s that begin 3.5 s before its end, at 6.5 s or frame 487.5; 5 s overlap of 1 s."""
    (disc,) = lay_out(
        [
            TrackSound(10 * SECOND, Fraction(2)),
            TrackSound(8 * SECOND, Fraction(0), None, Fraction(7, 2), (Fraction(1), Fraction(2))),
            TrackSound(5 * SECOND, Fraction(0), None, Fraction(1)),
        ]
    )
    first, second, third = disc.places
    assert (first.start_frame, first.end_frame) == (0, 488)  # half a frame is rounded up
    # Points 1 and 2 s on from frame 487.5, each to the nearest: half a frame is rounded up.
    assert second.points == ((1, 488), (2, 563), (3, 638))
    # 6.5 + 8 - 1 = 13.5 s, frame 1012.5; it ends at 18.5 s, frame 1387.5.
    assert third.points == ((1, 1013),)
    assert disc.frames == third.end_frame == 1388
    assert [passage.marks for passage in disc.passages] == [(0, 488, 1013)]


def test_hidden_sound_and_tail_by_hand() -> None:
    """30 s and a sample; 1.5 s of silence; 10 s; a little more than 2 s of tail."""
    (disc,) = lay_out(
        [TrackSound(10 * SECOND, Fraction(3, 2))],
        hidden_samples=30 * SECOND + 1,
        tail_s=Fraction(2001, 1000),
    )
    (place,) = disc.places
    # 30 s + 1 sample + 1.5 s end within frame 2362; index 01 is rounded up, to 2363.
    assert place.points == ((0, 0), (1, 2363))
    assert place.gap_frames == 2363 - 2251
    assert disc.opening_pause_frames == 150
    assert disc.tail_frames == 151
    assert disc.frames == 2363 + 750 + 151
