"""The listening page's server: its data, its sound against a build, edits, and who may ask."""

from __future__ import annotations

import json
import random
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import numpy as np
import pytest
import soundfile
from listen.serving import MANIFEST, Served, write_desk

from assembler import build, load
from assembler.manifest import load_text


def text(served: Served) -> str:
    return served.manifest.read_text(encoding="utf-8")


def finished_files(served: Served, out: Path) -> list[np.ndarray]:
    folder = build(load(served.manifest), out, only=("download",)).release_dir
    files = sorted((folder / "download" / "flac-24").glob("*.flac"))
    return [soundfile.read(file, dtype="int32")[0] for file in files]


def test_what_is_played_is_what_a_build_makes(served, tmp_path):
    found = served.settled()
    assert [t["number"] for t in found["tracks"]] == [1, 2, 3]
    files = finished_files(served, tmp_path)
    for number, file in enumerate(files, 1):
        played, rate_hz, kind = served.sound(f"audio/track/{number}")
        assert (kind, rate_hz) == ("finished", 44100)
        assert np.array_equal(played, file)
        stretch, *_ = served.sound(f"audio/track/{number}?from=2&to=3.5")
        assert np.array_equal(stretch, file[88200:154350])
    for first in (1, 2):
        played, _, kind = served.sound(f"audio/join/{first}-{first + 1}?from=-4&to=2")
        assert kind == "finished"
        assert np.array_equal(
            played, np.concatenate([files[first - 1][-4 * 44100 :], files[first][: 2 * 44100]])
        )


def test_a_preview_differs_from_the_finished_file_by_its_dither_alone(served, tmp_path):
    served.settled()
    status, found = served.edit(tracks__1__trim=-2.5, tracks__2__gap=1)
    assert status == 200
    assert found["tracks"][1]["settled"] is False
    stretches = ("audio/track/2?from=3&to=6", "audio/join/2-3?from=-3&to=2", "audio/join/1-2")
    previews = [served.sound(path) for path in stretches]
    served.settled()
    for path, (preview, rate_hz, _) in zip(stretches, previews, strict=True):
        exact, exact_hz, kind = served.sound(path)
        assert (kind, exact_hz, len(exact)) == ("finished", rate_hz, len(preview))
        difference = np.abs(preview.astype(np.int64) - exact).max() / 2**31
        assert difference < 4 * 2**-23 or 20 * np.log10(difference) < -60
    played, *_ = served.sound("audio/track/2")
    assert np.array_equal(played, finished_files(served, tmp_path)[1])


def test_the_source_and_what_is_cut_off(served):
    source, _ = soundfile.read(served.manifest.with_name("1.wav"), dtype="int32")
    played, *_ = served.sound("audio/track/1?stage=source&from=-1&to=2")
    assert np.array_equal(played, source[22050 : 3 * 44100 + 22050])
    played, *_ = served.sound("audio/track/1?stage=source&from=-4&to=0")
    assert np.array_equal(played[: int(2.5 * 44100)], np.zeros((110250, 2)))
    picture = json.loads(served.get("picture/track/1?from=0&to=2&width=100")[1])
    assert len(picture["low"]) == len(picture["high"]) == 100
    assert picture["duration_s"] == 2
    assert max(picture["high"]) == pytest.approx(source[66150:154350].max() / 2**31, abs=1e-4)
    picture = json.loads(served.get("picture/track/1/level?from=0&to=2")[1])
    assert len(picture["limiter_db"]) == 20
    assert len(picture["source_db"]) == len(picture["finished_db"]) == len(picture["hz"]) == 30


@pytest.mark.parametrize(
    ("asked", "first", "last"),
    [("bytes=0-43", 0, 43), ("bytes=100-", 100, None), ("bytes=-10", -10, None)],
)
def test_range_requests(served, asked, first, last):
    path = "audio/track/2?stage=source&from=0&to=0.1"
    whole = served.get(path)[1]
    status, content, headers = served.get(path, Range=asked)
    assert status == 206
    assert content == whole[first : None if last is None else last + 1]
    assert headers["content-range"].endswith(f"/{len(whole)}")
    assert served.get(path, Range="bytes=999999-")[0] == 416


def test_an_edit_changes_its_value_and_nothing_else(served):
    before = served.release()
    status, found = served.edit(tracks__0__gap=3.25, tracks__2__fade_out=None)
    assert status == 200
    assert found["revision"] == before["revision"] + 1
    assert found["tracks"][0]["values"]["gap"] == 3.25
    expected = MANIFEST.replace("    start: 1.5\n", "    start: 1.5\n    gap: 3.25\n")
    assert text(served) == expected.replace("    fade_out: 1\n", "")
    shown = served.release()
    assert shown["tracks"][2]["start_frame"] > 0
    assert shown["discs"][0]["frames"] == found["discs"][0]["frames"]


def test_fifty_random_edits_undone_to_the_original(served):
    served.post("undo", {"revision": -1})
    chance, revision = random.Random(18), served.release()["revision"]
    done = 0
    while done < 50:
        index = chance.randrange(3)
        key = chance.choice(["gap", "trim", "start", "fade_in", "fade_out", "title"])
        value = chance.choice([None, round(chance.uniform(0, 3), 3), "Undertow"])
        if (key == "title") != (value == "Undertow"):
            continue
        body = {"revision": revision, "set": {f"tracks[{index}].{key}": value}}
        if done % 10 == 9:
            body = {"revision": revision, "move": {"from": index, "to": chance.randrange(3)}}
        status, found = served.post("edits", body)
        if status == 422:  # the opening pause can't be so short
            assert found["findings"][0]["code"] == "short-opening-pause"
            continue
        assert status == 200, found
        done += 1
        revision = found["revision"]
    comments = ["# Edited by hand, and by the page.", "   # the opener", "# these two belong"]
    assert all(comment in text(served) for comment in comments)
    while text(served) != MANIFEST:
        status, found = served.post("undo", {"revision": revision})
        assert status == 200, found
        revision = found["revision"]
    status, found = served.post("redo", {"revision": revision})
    assert status == 200
    assert text(served) != MANIFEST


def test_a_moved_track_takes_its_number_along(served):
    revision = served.release()["revision"]
    status, found = served.post("edits", {"revision": revision, "move": {"from": 2, "to": 0}})
    assert status == 200, found
    moved = load_text(text(served), served.manifest).manifest
    assert moved.tracks[1].title == "Low Lantern"
    assert moved.credits[0].tracks == (1, 2)
    assert '  - title: "Low Lantern"   # the opener\n' in text(served)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"tracks[0].start": 99}, "start"),
        ({"tracks[0].gap": "soon"}, "gap"),
        ({"tracks[9].gap": 1}, "tracks[9]"),
        ({"tracks[0].nap": 1}, "gap"),
        ({"nonsense[": 1}, "not a place"),
        ({"tracks[0].gap": {"a": 1}}, "a number, a text"),
        ({"tracks[0].title": None}, "title"),
    ],
)
def test_an_edit_with_an_error_writes_nothing(served, values, words):
    status, found = served.post("edits", {"revision": served.release()["revision"], "set": values})
    assert status == 422
    assert words in " ".join(f"{one['where']} {one['message']}" for one in found["findings"])
    assert text(served) == MANIFEST


@pytest.mark.parametrize("body", [[], {}, {"revision": "1"}, {"revision": None, "set": []}])
def test_a_body_that_is_no_edit(served, body):
    status, found = served.post("edits", body)
    assert status in (409, 422)
    assert found["findings"][0]["message"]
    assert text(served) == MANIFEST


def test_both_sides_changed(served):
    revision = served.release()["revision"]
    outside = MANIFEST.replace("gap: 2.5", "gap: 4")
    served.manifest.write_text(outside, encoding="utf-8")
    body = {"revision": revision, "set": {"tracks[2].gap": 1}}
    status, found = served.post("edits", body)
    assert status == 409
    assert "changed elsewhere" in found["findings"][0]["message"]
    assert text(served) == outside
    assert served.release()["tracks"][2]["values"]["gap"] == 4
    assert served.post("undo", {"revision": served.release()["revision"]})[0] == 200
    assert text(served) == MANIFEST


def test_a_text_that_can_not_be_read_and_its_repair(served):
    revision = served.release()["revision"]
    served.manifest.write_text(MANIFEST + "  bad: [", encoding="utf-8")
    while (found := served.release())["revision"] == revision:
        pass
    assert not found["ok"]
    assert not found["readable"]
    assert found["tracks"][0]["title"] == "Low Lantern"
    assert served.edit(tracks__2__gap=1)[0] == 422
    served.manifest.write_text(MANIFEST, encoding="utf-8")
    while not served.release()["ok"]:
        pass
    assert served.edit(tracks__2__gap=1)[0] == 200


def test_decisions_are_kept(served):
    assert served.post("decided", {"decided": ["join-1-2 []"]})[1]["decided"] == ["join-1-2 []"]
    assert served.release()["decided"] == ["join-1-2 []"]


def test_only_the_page_itself_may_ask(served):
    port = served.url.split(":")[2].partition("/")[0]
    bare = f"http://127.0.0.1:{port}"
    assert served.get("release.json", Host="attacker.example")[0] == 403
    assert served.get("release.json", Host=f"attacker.example:{port}")[0] == 403
    for origin in ("http://attacker.example", "null", f"http://127.0.0.1:{int(port) - 1}"):
        assert served.get("release.json", Origin=origin)[0] == 403
        headers = {"content-type": "application/json", "Origin": origin}
        assert Served.ask(urllib.request.Request(served.url + "edits", b"{}", headers))[0] == 403
    for path in ("/", "/release.json", "/wrong/release.json"):
        assert Served.ask(urllib.request.Request(bare + path))[0] == 403
    plain = urllib.request.Request(served.url + "edits", b"{}", {"content-type": "text/plain"})
    assert Served.ask(plain)[0] == 403
    assert served.get("release.json", **{"Sec-Fetch-Site": "cross-site"})[0] == 403
    assert text(served) == MANIFEST


@pytest.mark.parametrize(
    "path",
    ["../session.py", "page.py", "songs.yaml", "audio/track/0", "audio/track/4",
     "audio/join/1-3", "audio/join/0-1", "picture/track/4/level",
     "audio/track/1?stage=secret", "%2e%2e/guard.py"],
)  # fmt: skip
def test_nothing_else_is_served(served, path):
    assert served.get(path)[0] in (403, 404)


def test_the_page_may_load_nothing_from_elsewhere(served):
    _, content, headers = served.get("")
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert b"http" not in content


def test_a_second_page_of_the_same_manifest(served):
    command = [sys.executable, "-m", "assembler", "listen", str(served.manifest), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "already open" in done.stdout


def test_the_address_is_printed_at_once_to_a_pipe_too(tmp_path):
    command = [sys.executable, "-m", "assembler", "listen", str(write_desk(tmp_path))]
    with subprocess.Popen([*command, "--no-browser"], stdout=subprocess.PIPE, text=True) as page:
        assert page.stdout.readline().startswith("Listening page: http://127.0.0.1:")
        page.send_signal(signal.SIGINT)
        assert "Turn the volume down" in page.stdout.read()
    assert page.returncode == 0


def test_a_port_that_can_not_be_used(tmp_path):
    path = write_desk(tmp_path)
    command = [sys.executable, "-m", "assembler", "listen", str(path), "--no-browser", "--port"]
    with socket.create_server(("127.0.0.1", 0)) as used:
        for port in (used.getsockname()[1], 99999):
            done = subprocess.run(
                [*command, str(port)], capture_output=True, text=True, check=False, timeout=60
            )
            assert done.returncode == 1
            assert f"port {port}: " in done.stderr
            assert len(done.stderr.strip().splitlines()) == 1, done.stderr
