"""Edits of a manifest's text: the changed values, and not one other character."""

from __future__ import annotations

from difflib import ndiff
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from assembler.errors import AssemblerError
from assembler.manifest.edit_text import arrange_items, content_at, edit_text, parse_place

MANIFESTS = sorted((Path(__file__).parents[2] / "manifests").glob("*.yaml"))
TEXT = """\
# The release
release: {artist: Halden Ferry Singers, title: "Songs for Slack Water"}  # title as on the sleeve

tracks:
  # the first side
  - title: Low Lantern   # checked with Ines
    audio: a.wav
    lyrics: |
      Low lantern,
      slack water.

  # the second side
  - {title: 'Tide Table', audio: b.wav, gap: 2.5}
  - gap: 0
    title: Ropewalk Round
    audio: c.wav
"""


@pytest.mark.parametrize(
    ("place", "value", "before", "after"),
    [
        ("release.title", "Undertow", '"Songs for Slack Water"', '"Undertow"'),
        ("release.label", "Tide, Inc.", 'Water"}', 'Water", label: "Tide, Inc."}'),
        ("tracks[0].gap", "0.35", "a.wav\n", "a.wav\n    gap: 0.35\n"),
        ("tracks[1].gap", "3", "gap: 2.5", "gap: 3"),
        ("tracks[1].gap", None, ", gap: 2.5", ""),
        ("tracks[1].title", "It's late", "'Tide Table'", "'It''s late'"),
        ("tracks[2].gap", None, "gap: 0\n    title", "title"),
        ("tracks[2].gap", "1:02.5", "gap: 0", "gap: 1:02.5"),
        ("tracks[2].composers", ("Ines Falk", "Oda, B."), "gap: 0\n",
         'gap: 0\n    composers: [Ines Falk, "Oda, B."]\n'),
        ("level.target", "-16", "\ntracks:", "\nlevel: {target: -16}\ntracks:"),
    ],
)  # fmt: skip
def test_one_edit(place, value, before, after):
    assert TEXT.count(before) == 1 or place == "level.target"
    new = edit_text(TEXT, {parse_place(place): value})
    expected = TEXT.replace(before, after)
    if place == "level.target":  # a new block follows the last line of the one before it
        expected = TEXT.replace("sleeve\n", "sleeve\nlevel: {target: -16}\n")
    assert new == expected


@pytest.mark.parametrize("ending", ["\r\n", "\n"])
def test_line_ends_and_a_missing_last_one_stay(ending):
    text = TEXT.replace("\n", ending).removesuffix(ending)
    new = edit_text(text, {("tracks", 2, "end"): "9"})
    assert new == text + f"{ending}    end: 9"


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("a: &x {b: 1}\nc: *x\n", "c.b"),
        ("a: &x {b: 1}\nc: *x\n", "a.b"),
        ("a: {b: &y 1}\n", "a.b"),
        ("a:\n  b: |\n    lines\n", "a.b"),
        ("a:\n  b:\n    - 1  # one\n    - 2\n", "a.b"),
        ("a: [1, 2]\n", "a.b"),
        ("a: 1\n", "b.c[2].d"),
    ],
)
def test_what_can_not_be_changed_by_itself_is_refused(text, place):
    with pytest.raises(AssemblerError):
        edit_text(text, {parse_place(place): "5"})


@pytest.mark.parametrize("place", ["", "tracks[x].gap", "tracks..gap", "tracks[0]gap", ".gap"])
def test_places(place):
    with pytest.raises(ValueError, match="not a place"):
        parse_place(place)


@pytest.mark.parametrize(("start", "to"), [(0, 1), (0, 2), (1, 0), (2, 0), (2, 1)])
def test_a_moved_track_takes_its_comments_along_and_back_again(start, to):
    order = [0, 1, 2]
    order.insert(to, order.pop(start))
    moved = arrange_items(TEXT, ("tracks",), order)
    assert moved != TEXT
    assert sorted(moved.splitlines()) == sorted(TEXT.splitlines())
    if start == 0:
        assert "  # the first side\n  - title: Low Lantern   # checked with Ines\n" in moved
    titles = [track["title"] for track in yaml.safe_load(TEXT)["tracks"]]
    assert [t["title"] for t in yaml.safe_load(moved)["tracks"]] == [titles[i] for i in order]
    back = arrange_items(moved, ("tracks",), [order.index(i) for i in range(3)])
    assert yaml.safe_load(back) == yaml.safe_load(TEXT)


def test_tracks_on_one_line_are_not_moved():
    with pytest.raises(AssemblerError):
        arrange_items("tracks: [{title: A}, {title: B}]\n", ("tracks",), [1, 0])


def test_a_new_and_a_removed_track_leave_every_other_byte():
    new = {"title": "Slack: Water", "audio": {"left": "l.wav", "right": "r.wav"}, "gap": "0"}
    text = arrange_items(TEXT, ("tracks",), [0, new, 1, 2])
    lines = '  - title: "Slack: Water"\n    audio: {left: l.wav, right: r.wav}\n    gap: 0\n'
    assert text == TEXT.replace("  # the second", lines + "  # the second")
    assert arrange_items(text, ("tracks",), [0, 2, 3]) == TEXT
    assert content_at(text, ("tracks", 1, "audio", "left")) == "l.wav"


@pytest.mark.parametrize("before", ["", "    restoration: off\n", "    restoration:\n"])
def test_mappings_that_are_not_there_yet(before):
    text = f"transfers:\n  A:\n    file: a.wav\n{before}tracks: []\n"
    new = edit_text(text, {parse_place("transfers.A.restoration.noise.from"): "1.5",
                           parse_place("transfers.A.restoration.noise.to"): "2.5"})  # fmt: skip
    line = "    restoration: {noise: {from: 1.5, to: 2.5}}\n"
    assert new == f"transfers:\n  A:\n    file: a.wav\n{line}tracks: []\n"


KEYS = ("gap", "trim", "start", "fade_out")


@settings(max_examples=12)
@given(data=st.data())
def test_only_the_lines_of_edited_keys_change(data):
    path = data.draw(st.sampled_from(MANIFESTS))
    text = path.read_text(encoding="utf-8")
    for _ in range(data.draw(st.integers(1, 4))):
        tracks = yaml.load(text, yaml.BaseLoader)["tracks"]
        index = data.draw(st.integers(0, len(tracks) - 1))
        key = data.draw(st.sampled_from(KEYS))
        value = data.draw(st.none() | st.integers(0, 900).map(lambda n: str(n / 100)))
        try:
            new = edit_text(text, {("tracks", index, key): value})
        except AssemblerError:
            continue
        lines = ndiff(text.splitlines(), new.splitlines())
        changed = [line for line in lines if line[0] in "+-"]
        assert len(changed) <= 2, changed  # the key's own line, before and after
        assert all(key in line for line in changed)
        text = new
