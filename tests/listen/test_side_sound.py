"""What is played of a tape side, against the side as a build restores it."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from threading import Lock

import numpy as np
import pytest
import soundfile
from listen.serving import serving
from restored_sides import restored_to

import assembler.listen
from assembler.audio import open_recording
from assembler.cache.folder import CacheFolder
from assembler.digest import file_stamp
from assembler.listen import settling
from assembler.listen.measured_sides import MeasuredSides
from assembler.listen.peaks import SidePeaks
from assembler.listen.side_document import sides_json
from assembler.listen.side_sound import (
    removed_stretch,
    restored_stretch,
    source_stretch,
    with_live_sides,
)
from assembler.manifest import load
from assembler.manifest.transfers import Restoration
from assembler.preflight.check import check
from assembler.release.inputs import Inputs
from assembler.restoration.chain import Resolved

RATE_HZ = 44100
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: TWE-018}
download: {formats: [flac-24]}
disc: {make: false}
transfers:
  A:
    file: a.wav
    restoration: {declick: {strength: 5}, balance: 1.5, dc: remove}
  Late:   # from the second machine
    file: a.wav
    restoration: {speed: "+1 %", declick: {strength: 5}}
tracks:
  - {title: Low Lantern, from: A, start: 2, end: 9}
  - {title: Tide Table, from: Late, start: 3, end: 9}
credits:
  - {name: Ines Falk, roles: [voice], tracks: [2]}
"""


@pytest.fixture(scope="module")
def manifest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sides")
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    sound = 0.2 * np.sin(2 * np.pi * 440 * t) * np.minimum(1, np.minimum(t, 10 - t) / 2)
    sound = np.stack([sound, 0.8 * sound], axis=1)
    sound += np.random.default_rng(18).normal(0, 3e-4, sound.shape)
    sound += 0.004  # DC offset
    sound[4 * RATE_HZ, :] += 0.5  # a click
    soundfile.write(folder / "a.wav", sound, RATE_HZ, subtype="PCM_24")
    path = folder / "sides.yaml"
    path.write_text(MANIFEST, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def restored(manifest: Path):
    """Each side as a build restores it: its samples, and its steps."""
    source = load(manifest)
    found = {}
    for name, transfer in source.manifest.transfers.items():
        file = manifest.with_name(f"{name}.rf64")
        report = restored_to(file, manifest.with_name("a.wav"), transfer)
        samples = soundfile.read(file, dtype="float32")[0]
        found[name] = samples, Resolved.from_json(report["settled"])
    return found


def sections(manifest, restored):
    live = with_live_sides(check(load(manifest)), lambda name: restored[name][1])
    return live.sections, lambda name: restored[name][1]


def sounds(stretch) -> np.ndarray:
    return stretch.pcm / float(1 << 23)


def level_db(sound: np.ndarray) -> float:
    return 20 * np.log10(np.sqrt(np.mean(np.square(sound))) + 1e-12)


@pytest.mark.parametrize(("index", "name"), [(0, "A"), (1, "Late")])
def test_a_stretch_is_restored_as_the_whole_side_is(manifest, restored, index, name):
    tracks, steps = sections(manifest, restored)
    section, (whole, _) = tracks[index], restored[name]
    assert len(whole) == section.recording.frames
    preview = restored_stretch(section, steps, (1.0, 4.0))
    assert not preview.exact
    expected = whole[section.start + RATE_HZ :][: 3 * RATE_HZ]
    assert level_db(sounds(preview) - expected) < -70
    done = replace(section, recording=open_recording((manifest.with_name(f"{name}.rf64"),)))
    exact = restored_stretch(done, steps, (1.0, 4.0))
    assert exact.exact
    assert np.abs(sounds(exact) - expected).max() <= 2**-24


def test_what_is_removed_and_what_is_left_are_the_source(manifest, restored):
    tracks, steps = sections(manifest, restored)
    done = replace(tracks[0], recording=open_recording((manifest.with_name("A.rf64"),)))
    source, left, removed = (
        sounds(one)
        for one in (
            source_stretch(done, 0.0, 5.0),
            restored_stretch(done, steps, (0.0, 5.0)),
            removed_stretch(done, steps, (0.0, 5.0)),
        )
    )
    ratio = 10 ** (1.5 / 20)  # a centred source keeps its power
    placed = source * np.sqrt(2 / (1 + ratio**2)) * np.array([ratio, 1])
    assert level_db(placed - left - removed) < -120
    assert abs(removed[2 * RATE_HZ - 2 : 2 * RATE_HZ + 3]).max() > 0.3  # the click
    rest = removed[RATE_HZ // 2 : RATE_HZ]
    assert rest.std(axis=0) == pytest.approx(0, abs=1e-6)
    assert rest.mean() == pytest.approx(0.004, rel=0.1)


def test_one_step_is_left_out_or_heard_alone(manifest, restored):
    tracks, steps = sections(manifest, restored)
    click = slice(2 * RATE_HZ - 2, 2 * RATE_HZ + 3)
    span = (0.0, 3.0)
    assert abs(sounds(restored_stretch(tracks[0], steps, span, ("declick",)))[click]).max() > 0.4
    assert abs(sounds(restored_stretch(tracks[0], steps, span))[click]).max() < 0.35
    alone = sounds(removed_stretch(tracks[0], steps, span, "declick"))
    assert abs(alone[click]).max() > 0.3
    assert level_db(alone[:RATE_HZ]) < -100


def test_times_of_a_side_with_another_speed_are_converted(manifest, restored):
    tracks, steps = sections(manifest, restored)
    transfer, _ = soundfile.read(manifest.with_name("a.wav"), dtype="int32")
    found = source_stretch(tracks[1], 2.0, 3.0)
    start = round((round(3 * RATE_HZ / 1.01) + 2 * RATE_HZ) * 1.01)
    assert len(found.pcm) == round(1.01 * RATE_HZ)
    assert np.array_equal(found.pcm, transfer[start : start + len(found.pcm)] >> 8)
    slow = restored_stretch(tracks[1], steps, (2.0, 3.0), ("speed",))
    assert len(slow.pcm) == len(found.pcm)
    removed = sounds(removed_stretch(tracks[1], steps, (0.0, 3.0)))
    at = round(RATE_HZ / 1.01)  # the click at 4 s, 1 s after the start
    assert abs(removed[at - 3 : at + 4]).max() > 0.3
    assert level_db(removed[: RATE_HZ // 2]) < -90


def test_what_is_measured_is_not_said_before(manifest, tmp_path):
    report = check(load(manifest))
    sides = MeasuredSides(CacheFolder(tmp_path / "cache"), tmp_path, lambda: None)
    sides._source, sides._transfers = report, report.source.manifest.transfers
    sides._opened("A")
    (side, _) = sides_json(report, sides)
    assert [one["step"] for one in side["steps"]] == ["declick", "balance"]  # and no DC of 0 %


def test_every_step_of_the_restoration_has_its_row_on_the_page():
    script = Path(assembler.listen.__file__).with_name("page") / "restoring.js"
    rows = re.findall(r'\{ step: "(\w+)"', script.read_text(encoding="utf-8"))
    in_text_only = {"cents", "trim_silence"}  # the speed in another unit; no step by itself
    steps = {*Restoration.model_fields, "playback", "equaliser"} - in_text_only
    assert sorted(rows) == sorted(steps)  # and one row only


def test_the_waveform_at_each_level(manifest):
    path = manifest.with_name("a.wav")
    cache = CacheFolder(manifest.with_name("store"))
    digests = Inputs("", (path,), (), {path: file_stamp(path)}).digests(cache, map)
    peaks = SidePeaks(open_recording((path,), digests=digests))
    told: list[float] = []
    peaks.read(cache, lambda: told.append(peaks.share_read))
    assert told[-1] == 1
    again = SidePeaks(peaks.recording)
    again.read(cache, lambda: None)
    sound = soundfile.read(path)[0]
    for level, frames in ((-2, 1), (-1, 16), (0, 256), (2, 4096)):
        tile = again.tile(level, 0)
        assert tile["frames"] == frames
        columns = min(512, -(-len(sound) // frames))
        assert len(tile["low"]) == columns
        part = sound[: columns * frames]
        highest = [c.max() for c in np.split(part, range(frames, len(part), frames))]
        assert tile["high"] == pytest.approx(highest, abs=1e-4)


@pytest.mark.thorough
def test_the_server_plays_each_stage_and_reports_the_sides(manifest):
    with serving(manifest) as served:
        found = served.settled()
        assert found["tracks"][1]["source"]["start_s"] == pytest.approx(3)
        while not all(s.get("measured") and s["error"] for s in found["sides"]):
            found = served.release()
        played = {
            stage: served.sound(f"audio/track/1?stage={stage}&from=1&to=2")
            for stage in ("source", "restored", "removed", "finished")
        }
        assert {kind for _, _, kind in played.values()} == {"finished"}
        assert served.sound("audio/track/1?stage=restored&without=declick")[2] == "preview"
        side = found["sides"][0]
        assert {one["step"] for one in side["steps"]} == {"dc", "declick", "balance"}
        assert "no song found" in side["error"]  # a lone tone is not one
        tile = json.loads(served.get("picture/side/1?level=3&tile=0")[1])
        assert tile["complete"]
        assert served.get("picture/side/1/spectrum")[1].startswith(b"\x89PNG")
        assert served.get("picture/side/9?level=0&tile=0")[0] == 404


def test_a_side_is_restored_while_no_other_side_is_read(manifest, tmp_path, monkeypatch):
    """A survey and a restoration at once took 595 MB on 46 minutes at 96 kHz; each alone less."""
    whole_side, held = Lock(), []

    def checking(*arguments, **settings):
        held.append(whole_side.locked())
        return check(*arguments, **settings)

    monkeypatch.setattr(settling, "check", checking)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    settler = settling.Settler(CacheFolder(tmp_path / "cache"), scratch, lambda: None, whole_side)
    report = check(load(manifest))
    with whole_side:  # a survey
        settler.begin(report)
        waiting = settler._thread
        settler.begin(report)  # an edit ends the wait
        waiting.join()
        assert held == []
    settler._thread.join()
    settler.close()
    assert held == [True]
    assert not whole_side.locked()
    assert settler.settled.report
