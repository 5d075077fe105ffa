"""An error stops the sound that it concerns: all else is played, and finished where that can be."""

from __future__ import annotations

import json
import time

import numpy as np
import pytest
import soundfile
from listen.serving import MANIFEST, serving, write_desk

from assembler.manifest import load_to_check
from assembler.mastering.plan import plan_release
from assembler.preflight.check import check
from assembler.preflight.playable import playable

TAPE = MANIFEST.replace(
    "tracks:\n", "transfers: {A: {file: 1.wav, restoration: {noise: {from: 1, to: 99}}}}\ntracks:\n"
).replace("audio: 1.wav", "from: A")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_desk(tmp_path_factory.mktemp("playable")).parent


def found_in(folder, text):
    path = folder / "songs.yaml"
    path.write_text(text, encoding="utf-8")
    return check(load_to_check(path))


def changed(before, after):
    assert before in MANIFEST
    return MANIFEST.replace(before, after)


@pytest.mark.parametrize(
    ("text", "silent", "can_be_finished"),
    [
        (MANIFEST, [], True),
        (changed("TWE-018}", "TWE-018, front_cover: none.png}"), [], True),
        (changed("gap: 2.5", "isrc: none"), [], True),
        (changed("gap: 2.5", "gap: 700"), [], True),
        (changed("gap: 2.5", "indexes: [99]"), [], True),
        (changed("tracks: [1, 3]", "tracks: [9]"), [], True),
        (changed("gap: 2.5", "on: [disc, download]\n    disc: 7"), [], True),
        (changed("target: -16", "target: -16, hold: approved"), [], False),
        (changed("audio: 2.wav", "audio: none.wav"), [1], False),
        (changed("start: 1.5", "start: 99"), [0], False),
        (changed("gap: 2.5", "overlap: 50"), [2], False),
        (changed("gap: 2.5", "equaliser: [{shape: bell, hz: 30000, db: 1}]"), [2], False),
        (changed("gap: 2.5", "tone_like: 9"), [2], False),
        (TAPE, [0], False),
    ],
)  # fmt: skip
def test_what_an_error_silences(folder, text, silent, can_be_finished):
    report = found_in(folder, text)
    assert report.ok == (text == MANIFEST)
    found = playable(report)
    assert sorted(found.errors) == silent
    assert found.can_be_finished == can_be_finished
    assert [one.index for one in found.report.sections] == [i for i in range(3) if i not in silent]
    plan = plan_release(found.report)
    assert plan.downloads["flac-24"].tracks == tuple(i for i in range(3) if i not in silent)


def test_the_tracks_around_one_that_is_silent_are_laid_out_apart(folder):
    text = changed("audio: 2.wav", "audio: none.wav").replace("gap: 2.5", "overlap: 3")
    (edition, *_) = playable(found_in(folder, text)).report.editions.values()
    assert [passage.indices for passage in edition.passages] == [(0,), (1,)]
    assert [section.track.overlap for section in edition.sections] == [None, None]


def test_nothing_can_be_played_of_a_release_whose_files_are_missing(folder):
    text = MANIFEST.replace(".wav", ".none")
    found = playable(found_in(folder, text))
    assert sorted(found.errors) == [0, 1, 2]
    assert plan_release(found.report).downloads["flac-24"].tracks == ()


def settled_with_errors(served):
    while True:
        found = served.release()
        if not found["ok"] and all(one["settled"] for one in found["tracks"]):
            return found
        assert served.process.poll() is None
        time.sleep(0.1)


def written(served, text):
    before = served.release()["revision"]
    served.manifest.write_text(text, encoding="utf-8")
    while (found := served.release())["revision"] == before:
        time.sleep(0.05)
    return found


@pytest.mark.thorough
def test_what_is_played_while_the_manifest_has_errors(tmp_path):
    path = write_desk(tmp_path)
    path.write_text(changed("TWE-018}", "TWE-018, front_cover: none.png}"), encoding="utf-8")
    with serving(path) as served:
        found = settled_with_errors(served)
        assert [one["severity"] for one in found["findings"]].count("error") == 1
        assert served.sound("audio/track/2?from=1&to=2")[2] == "finished"

        found = written(served, changed("audio: 2.wav", "audio: none.wav"))
        assert found["finishing"] is False
        assert [one["source"] is None for one in found["tracks"]] == [False, True, False]
        places = [(one["number"], one["disc_number"]) for one in found["tracks"]]
        assert places == [(1, 1), (2, 1), (3, 1)]
        played, rate_hz, kind = served.sound("audio/track/3?from=1&to=2")
        assert (len(played), kind) == (rate_hz, "preview")
        assert np.abs(played).max() > 0.01 * 2**31
        source = soundfile.read(tmp_path / "1.wav", dtype="int32")[0]
        played, *_ = served.sound("audio/track/1?stage=source&from=0&to=1")
        assert np.array_equal(played, source[66150:110250])
        for silent in ("audio/track/2", "audio/track/2?stage=source", "audio/join/1-2"):
            status, content, _ = served.get(silent)
            assert status == 404
            message = json.loads(content)["findings"][0]["message"]
            assert message.startswith("track 2 can't be played: ")
            assert "none.wav: no such file" in message

        found = written(served, MANIFEST + "colour: red\n")
        assert (found["readable"], found["ok"]) == (False, False)
        assert served.sound("audio/track/3?from=1&to=2")[2] == "preview"
