"""Tracks that are joined, parted, cut and named: what is not touched keeps its bytes."""

from __future__ import annotations

import pytest

from assembler.errors import AssemblerError
from assembler.listen.edits import changed_text
from assembler.manifest import load_text

TEXT = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water}   # as on the sleeve
transfers:
  Side A:
    file: a.wav   # the second pass
tracks:
  # the opener
  - title: "Low Lantern"
    from: Side A
    start: 2   # after the count-in
    end: 2:05.5
    fade_out: 3
    equaliser: [{shape: bell, hz: 400, db: -2}]
    isrc: AA-6Q7-27-00001
  - {title: Tide Table, from: Side A, start: 130, end: 250}

  - title: Ropewalk Round
    from: Side A
    start: 260
credits:
  - {name: Ines Falk, roles: [voice], tracks: [1, 3]}
"""


def edited(tmp_path, **body):
    source = load_text(TEXT, tmp_path / "songs.yaml")
    text = changed_text(source, body)
    return text, load_text(text, tmp_path / "songs.yaml").manifest


def test_a_track_is_parted_and_joined_again(tmp_path):
    text, manifest = edited(tmp_path, part={"track": 0, "at": 60.25})
    first = TEXT.replace("    end: 2:05.5\n    fade_out: 3\n", "    end: 1:00.250\n")
    second = (
        "  - title: Low Lantern (2)\n    from: Side A\n    start: 1:00.250\n    end: 2:05.5\n"
        "    gap: 0\n    fade_out: 3\n    equaliser: [{shape: bell, hz: 400, db: -2}]\n"
    )
    expected = first.replace("  - {title: Tide", f"{second}  - {{title: Tide")
    assert text == expected.replace("tracks: [1, 3]", "tracks: [1, 2, 4]")
    assert manifest.tracks[1].equaliser == manifest.tracks[0].equaliser
    joined = changed_text(load_text(text, tmp_path / "songs.yaml"), {"join": 0})
    line = "    fade_out: 3\n"  # its place among the keys is that of a new key
    assert joined.replace(line, "") == TEXT.replace(line, "")
    assert joined.count(line) == 1


def test_joined_tracks_end_where_the_second_one_ends(tmp_path):
    text, manifest = edited(tmp_path, join=1)
    assert [track.title for track in manifest.tracks] == ["Low Lantern", "Tide Table"]
    assert "  - {title: Tide Table, from: Side A, start: 130}\n" in text
    assert manifest.credits[0].tracks == (1, 2)
    assert "# the opener" in text


def test_proposed_cuts_become_tracks(tmp_path):
    songs = [[1.5, 100], [100, 200.1234567], [210, 240], [250, 300]]
    titles = "1. Low Lantern\n2. Undertow: Slack"
    text, manifest = edited(tmp_path, cuts={"side": "Side A", "songs": songs, "titles": titles})
    assert [float(track.start) for track in manifest.tracks] == [1.5, 100, 210, 250]
    assert float(manifest.tracks[1].end) == 200.123457
    names = ["Low Lantern", "Undertow: Slack", "Ropewalk Round", "Track 4"]
    assert [track.title for track in manifest.tracks] == names
    assert "    start: 0:01.500   # after the count-in\n" in text
    _, fewer = edited(
        tmp_path, cuts={"side": "Side A", "songs": [[0, 9], [9, 12], [12, 20]], "titles": ""}
    )
    assert len(fewer.tracks) == 3
    with pytest.raises(AssemblerError, match="credit of Ines Falk"):
        source = load_text(TEXT.replace("[1, 3]", "[3]"), tmp_path / "songs.yaml")
        changed_text(source, {"cuts": {"side": "Side A", "songs": [[0, 9]], "titles": ""}})


def test_titles_from_a_pasted_list(tmp_path):
    text, _ = edited(
        tmp_path, titles={"side": "Side A", "text": "1. Weir - 2:04\n2. Lock\n3. Sluice (3:10)\n"}
    )
    for old, new in (("Low Lantern", "Weir"), ("Tide Table", "Lock"), ("Ropewalk Round", "Sluice")):
        text = text.replace(new, old)
    assert text == TEXT
    with pytest.raises(AssemblerError, match="2 titles are in the list, 3 tracks"):
        edited(tmp_path, titles={"side": "Side A", "text": "Weir\nLock\n"})


def test_a_noise_print_is_marked(tmp_path):
    places = {"restoration.noise.from": 0.25, "restoration.noise.to": 1.5}
    text, manifest = edited(tmp_path, set=places, side="Side A")
    assert text == TEXT.replace(
        "second pass\n", "second pass\n    restoration: {noise: {from: 0.25, to: 1.5}}\n"
    )
    assert manifest.transfers["Side A"].restoration.noise


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"join": 2}, "no track after"),
        ({"join": "x"}, "no track after"),
        ({"part": {"track": 7, "at": 1}}, "no track"),
        ({"part": {"track": 0, "at": 1}}, "not inside"),
        ({"part": {"track": 0, "at": "soon"}}, "seconds"),
        ({"cuts": {"side": "B", "songs": [[0, 1]]}}, "no side"),
        ({"cuts": {"side": "Side A", "songs": []}}, "1 to 99"),
        ({"cuts": {"side": "Side A", "songs": [[0]]}}, "start and its end"),
        ({"titles": {"side": None, "text": None}}, "0 titles"),
        ({"set": {"restoration.balance": 1}, "side": "B"}, "no side"),
        ({"move": 3}, "from"),
    ],
)  # fmt: skip
def test_an_edit_that_can_not_be_made(tmp_path, body, words):
    with pytest.raises(AssemblerError, match=words):
        edited(tmp_path, **body)
