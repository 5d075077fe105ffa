"""What if: `check --without --gap`, its figures worked out by hand, and nothing changed on disk."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import soundfile
from desk import MANIFEST, Desk, contents, hum

HEAD = MANIFEST[: MANIFEST.index("tracks:")]
SECONDS = {"a": 10, "b": 20, "c": 30}
TRACKS = """\
tracks:
  - {title: One, audio: a.wav, gap: 3}
  - {title: Two, audio: b.wav}
  - {title: Three, audio: c.wav, gap: 1}
  - {title: Four, audio: a.wav, gap: 0}
  - {title: Five, audio: b.wav, overlap: 4}
"""
# Of track 1's pause of 3 s, one is in the image: starts 1, 13, 34 (20 + 1 on), 64, 70 (10 - 4 on);
# the end at 90 s. The figures below count from the start of track 1.
IN_IMAGE_S = 1


@pytest.fixture
def songs(desk: Desk) -> Path:
    for name, seconds in SECONDS.items():
        soundfile.write(desk.folder / f"{name}.wav", hum(seconds), 8000)
    return desk.write(HEAD + TRACKS)


def what_if(desk: Desk, path: Path, *arguments: str) -> dict[str, Any]:
    before = contents(desk.folder)
    code, document = desk.json("check", path, *arguments)
    assert contents(desk.folder) == before
    assert code == 0
    plain = desk.json("check", path)[1]
    assert {key: document[key] for key in plain} == plain
    return document["what_if"]


def starts(trial: dict[str, Any]) -> list[float]:
    return [track["start_frame"] / 75 for track in trial["tracks"]]


def test_nothing_is_tried_without_the_option(desk: Desk, songs: Path) -> None:
    code, document = desk.json("check", songs)
    assert code == 0
    assert "what_if" not in document
    assert [track["start_frame"] / 75 for track in document["tracks"]] == [1, 13, 34, 64, 70]
    assert document["disc"]["time"] == "01:30:00"


@pytest.mark.parametrize(
    ("arguments", "kept", "begin", "end"),
    [
        (["--without", "2"], [1, 3, 4, 5], [0, 11, 41, 47], 67),
        (["--without", "3"], [1, 2, 4, 5], [0, 12, 32, 38], 58),
        # Four segues into nothing that is left; Five then has it no more to overlap with.
        (["--without", "5"], [1, 2, 3, 4], [0, 12, 33, 63], 73),
        (["--without", "4"], [1, 2, 3, 5], [0, 12, 33, 59], 79),
        # Who opens the disc keeps its track 1 pause of 3 s.
        (["--without", "1"], [2, 3, 4, 5], [0, 21, 51, 57], 77),
        (["--without", "2,1"], [3, 4, 5], [0, 30, 36], 56),
        (["--without", "1,2,3,4"], [5], [0], 20),
        (["--gap", "1.48"], [1, 2, 3, 4, 5], [0, 11.48, 32.96, 62.96, 68.96], 88.96),
        (["--gap", "0"], [1, 2, 3, 4, 5], [0, 10, 30, 60, 66], 86),
        (["--without", "2", "--gap", "0:05"], [1, 3, 4, 5], [0, 15, 45, 51], 71),
    ],
)
def test_figures_by_hand(
    desk: Desk, songs: Path, arguments: list[str], kept: list[int], begin: list[float], end: float
) -> None:
    trial = what_if(desk, songs, *arguments)
    assert [track["manifest_number"] for track in trial["tracks"]] == kept
    assert [track["number"] for track in trial["tracks"]] == list(range(1, len(kept) + 1))
    assert starts(trial) == pytest.approx([IN_IMAGE_S + start for start in begin], abs=1e-9)
    (disc,) = trial["discs"]
    assert disc["frames"] / 75 == pytest.approx(IN_IMAGE_S + end, abs=1e-9)
    assert disc["opening_pause_frames"] == 225
    assert trial["fits"] is True


def test_json_says_what_was_tried(desk: Desk, songs: Path) -> None:
    trial = what_if(desk, songs, "--without", "3,2,3", "--gap", "0.5")
    assert (trial["without"], trial["gap_s"]) == ([2, 3], 0.5)
    assert what_if(desk, songs, "--without", "2")["gap_s"] is None
    assert what_if(desk, songs, "--gap", "1")["without"] == []
    (disc,) = trial["discs"]
    assert set(disc) >= {"number", "frames", "time", "limit_frames", "fits", "tail_frames"}


def test_the_text_says_that_nothing_is_changed(desk: Desk, songs: Path) -> None:
    before = contents(desk.folder)
    code, out, err = desk.run("check", songs, "--without", "2,3", "--gap", "1")
    assert code == 0
    assert contents(desk.folder) == before
    tried = " ".join(out[out.index("What if") :].split())
    assert tried.startswith("What if: without tracks 2, 3 and with gaps of 0:01.00 (a trial: ")
    assert "the manifest stays as it is)" in tried
    assert "Two" not in tried
    assert "Five" in tried
    # 1 s, 10 s, the segue into Four, 6 s on Five for 20 s.
    assert "Disc 1: 00:37:00 of 79:57:00, 79:20:00 left" in tried
    assert err == ""


@pytest.mark.usefixtures("songs")
def test_a_disc_that_a_left_out_track_opened_is_opened_by_the_next(desk: Desk) -> None:
    text = HEAD + TRACKS.replace("gap: 1}", "gap: 4, disc: 2}")
    trial = what_if(desk, desk.write(text), "--without", "3")
    assert [(t["disc_number"], t["number"], t["manifest_number"]) for t in trial["tracks"]] == [
        (1, 1, 1),
        (1, 2, 2),
        (2, 1, 4),
        (2, 2, 5),
    ]
    first, second = trial["discs"]
    assert (first["frames"], second["frames"]) == (33 * 75, 28 * 75)
    assert second["opening_pause_frames"] == 300


@pytest.mark.usefixtures("songs")
def test_hidden_sound_and_tail_stay(desk: Desk) -> None:
    text = HEAD.replace("download:", "disc: {pregap_audio: b.wav, tail: 2.5}\ndownload:") + TRACKS
    path = desk.write(text)
    trial = what_if(desk, path, "--without", "1", "--gap", "1")
    (disc,) = trial["discs"]
    # 20 s hidden and 3 s of silence, which track 2 takes over; 1 s before Three.
    assert starts(trial) == [23, 44, 74, 80]
    assert disc["hidden_frames"] == 23 * 75
    assert disc["frames"] == 100 * 75 + 188
    assert disc["tail_frames"] == 188


@pytest.mark.usefixtures("songs")
def test_a_disc_over_its_limit_that_would_fit(desk: Desk) -> None:
    """89 s run; without track 2 they are 67."""
    text = HEAD.replace("download:", 'disc: {limit: "1:10"}\ndownload:') + TRACKS
    path = desk.write(text)
    code, document = desk.json("check", path, "--without", "2")
    assert (code, document["disc"]["fits"], document["what_if"]["fits"]) == (1, False, True)
    assert desk.json("check", path, "--gap", "1")[1]["what_if"]["fits"] is False


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--without", "6"], "the tracks are 1 to 5"),
        (["--without", "0"], "the tracks are 1 to 5"),
        (["--without", "1,2,3,4,5"], "leaves no track"),
    ],
)
def test_tracks_that_can_not_be_left_out(
    desk: Desk, songs: Path, arguments: list[str], text: str
) -> None:
    code, out, err = desk.run("check", songs, *arguments)
    assert code == 1
    assert text in err
    assert "Traceback" not in out + err


@pytest.mark.usefixtures("songs")
def test_an_overlap_that_has_no_room_any_more(desk: Desk) -> None:
    """Five overlaps by 12 s with Four, which lasts 30 s; One, before it then, lasts 10."""
    rows = TRACKS.splitlines(keepends=True)[:2]
    rows += ["  - {title: Four, audio: c.wav}\n", "  - {title: F, audio: b.wav, overlap: 12}\n"]
    path = desk.write(HEAD + "".join(rows))
    assert desk.json("check", path)[0] == 0
    code, out, err = desk.run("check", path, "--without", "2")
    assert code == 1
    assert "--without 2: the overlap after it is longer" in err
    assert "Traceback" not in out + err


@pytest.mark.parametrize("arguments", [["--without", "two"], ["--gap", "-1"], ["--gap", "soon"]])
def test_wrong_usage(desk: Desk, songs: Path, arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        desk.run("check", songs, *arguments)
    assert stop.value.code == 2
