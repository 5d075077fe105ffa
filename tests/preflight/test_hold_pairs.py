"""Tracks are recognised by their sound, whatever their number and title."""

from __future__ import annotations

import hashlib

from hypothesis import given
from hypothesis import strategies as st

from assembler.preflight.hold import paired
from assembler.proof.approval import ApprovedTrack


def track(sound: int, title: str, file: str = "", isrc: str | None = None) -> ApprovedTrack:
    digest = hashlib.sha256(str(sound).encode()).hexdigest()
    file = file or f"{sound}.wav"
    return ApprovedTrack(
        sound=digest, title=title, isrc=isrc, sources=(digest,), files=(file,), trim_db=0.0
    )


@given(st.permutations(range(12)), st.integers(0, 12), st.booleans())
def test_moved_renamed_and_deleted_tracks_keep_their_own(
    order: list[int], kept: int, renamed: bool
) -> None:
    old = [track(n, f"Piece {n}") for n in range(12)]
    new = [track(n, f"Other {n}" if renamed else f"Piece {n}") for n in order[:kept]]
    found = list(paired(old, new))
    assert [one.approved for one in found] == order[:kept]
    assert all(one.is_same for one in found)


@given(st.permutations(range(6)), st.integers(0, 5), st.sampled_from(["title", "file", "isrc"]))
def test_a_replaced_mix_is_found_by_title_file_or_isrc(
    order: list[int], which: int, sign: str
) -> None:
    old = [track(n, f"Piece {n}", isrc=f"AA6Q7270000{n}") for n in range(6)]
    new = [old[n] for n in order]
    place = order.index(which)
    new[place] = track(
        99,
        f"Piece {which}" if sign == "title" else "Another",
        f"{which}.wav" if sign == "file" else "",
        f"AA6Q7270000{which}" if sign == "isrc" else None,
    )
    found = list(paired(old, new))
    assert [one.approved for one in found] == order
    assert [one.is_same for one in found] == [n != which for n in order]


def test_what_is_not_certain_is_new() -> None:
    side = [track(1, "One", "side.wav"), track(2, "Two", "side.wav"), track(3, "Three", "c.wav")]
    for file in ("d.wav", "side.wav"):
        now = [track(1, "One", "side.wav"), track(9, "Coda", file)]
        assert list(paired(side, now))[1] is None
    twins = [track(4, "Untitled", "e.wav"), track(5, "Untitled", "f.wav")]
    new = [track(6, "Untitled", "g.wav"), track(7, "Untitled", "h.wav")]
    assert list(paired(twins, new)) == [None, None]
    both = [track(8, "Reprise"), track(8, "Theme")]
    assert [one.approved for one in paired(both, both[::-1])] == [1, 0]
