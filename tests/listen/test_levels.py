"""A track's level on the page: EQ and compressor edited in the text, spectra, gain reduction."""

from __future__ import annotations

import json
import time
from threading import Lock

import numpy as np
import pytest
import soundfile

from assembler import build
from assembler.cache.folder import CacheFolder, cache_path
from assembler.dsp.third_octaves import NOMINAL_HZ, third_octaves
from assembler.errors import AssemblerError
from assembler.listen.edits import changed_text
from assembler.listen.level_picture import level_picture
from assembler.listen.sound import Sound
from assembler.listen.tone_fields import tone_json
from assembler.manifest import load_text
from assembler.preflight.check import check
from assembler.restoration.chain import Resolved

TEXT = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water}   # as on the sleeve
tracks:
  - title: Low Lantern
    audio: 1.wav
    equaliser:
      # the hum of the hall
      - {shape: bell, hz: 200, db: -2}   # gently
      - shape: high_shelf
        hz: 9000
        db: 1.5
    compress:
      threshold: -20   # of the source
      ratio: 2
    # the next two keys are for the label
    isrc: AA-6Q7-27-00001
  - {title: Tide, audio: 1.wav, equaliser: [{shape: notch, hz: 50}, {shape: bell, hz: 9, db: 1}]}
  - title: Weir
    audio: 1.wav
"""


def edited(tmp_path, values):
    source = load_text(TEXT, tmp_path / "songs.yaml")
    return changed_text(source, {"set": values})


@pytest.mark.parametrize(
    ("values", "old", "new"),
    [
        ({"tracks[0].equaliser[0].hz": 220}, "hz: 200", "hz: 220"),
        (
            {"tracks[0].equaliser[1].q": 0.7},
            "        db: 1.5\n",
            "        db: 1.5\n        q: 0.7\n",
        ),
        (
            {"tracks[0].equaliser[0]": None},
            "      # the hum of the hall\n      - {shape: bell, hz: 200, db: -2}   # gently\n",
            "",
        ),
        (
            {"tracks[0].equaliser[1]": None},
            "      - shape: high_shelf\n        hz: 9000\n        db: 1.5\n",
            "",
        ),
        (
            {"tracks[0].equaliser[2].shape": "notch", "tracks[0].equaliser[2].hz": 60},
            "        db: 1.5\n",
            "        db: 1.5\n      - shape: notch\n        hz: 60\n",
        ),
        (
            {"tracks[1].equaliser[2].shape": "high_pass", "tracks[1].equaliser[2].hz": 20},
            "db: 1}]",
            "db: 1}, {shape: high_pass, hz: 20}]",
        ),
        ({"tracks[1].equaliser[0]": None}, "{shape: notch, hz: 50}, ", ""),
        ({"tracks[1].equaliser[1]": None}, ", {shape: bell, hz: 9, db: 1}", ""),
        (
            {"tracks[0].compress": None},
            "    compress:\n      threshold: -20   # of the source\n      ratio: 2\n",
            "",
        ),
        ({"tracks[0].compress.mix": 60}, "      ratio: 2\n", "      ratio: 2\n      mix: 60\n"),
        (
            {"tracks[2].equaliser": [{"shape": "bell", "hz": 1000, "db": 0}]},
            "title: Weir\n    audio: 1.wav\n",
            "title: Weir\n    audio: 1.wav\n    equaliser: [{shape: bell, hz: 1000, db: 0}]\n",
        ),
        (
            {"tracks[2].compress.threshold": -18, "tracks[2].compress.ratio": 1.5},
            "title: Weir\n    audio: 1.wav\n",
            "title: Weir\n    audio: 1.wav\n    compress: {threshold: -18, ratio: 1.5}\n",
        ),
        ({"level.link": 80}, "# as on the sleeve\n", "# as on the sleeve\nlevel: {link: 80}\n"),
    ],
)  # fmt: skip
def test_bands_and_compressor_are_changed_added_and_removed(tmp_path, values, old, new):
    text = edited(tmp_path, values)
    assert TEXT.count(old) == 1
    assert text == TEXT.replace(old, new)
    load_text(text, tmp_path / "songs.yaml")


@pytest.mark.parametrize(
    "values",
    [{"tracks[0]": None}, {"tracks[3].title": "Undertow"}, {"tracks[0].equaliser[5].hz": 100}],
)
def test_items_that_are_numbered_from_elsewhere_are_refused(tmp_path, values):
    with pytest.raises(AssemblerError, match=r"in the manifest|can't be changed here"):
        edited(tmp_path, values)


def test_every_field_of_a_group_is_a_place_that_can_be_set(tmp_path):
    source = load_text(TEXT, tmp_path / "songs.yaml")
    groups = tone_json(0, source.manifest.tracks[0], source.manifest.level)
    assert [one["kind"] for one in groups] == ["bell", "high_shelf", "compress", "track"]
    fields = [field for one in groups for field in one["fields"]]
    known = {field["place"]: field["value"] for field in fields}
    assert known["tracks[0].equaliser[0].hz"] == 200
    assert known["tracks[0].equaliser[0].q"] is None
    assert known["tracks[0].compress.ratio"] == 2
    for field in fields:
        wanted = field["value"] if field["value"] is not None else field["fallback"]
        unset = 1 if field["key"] == "clip" else 90
        text = edited(tmp_path, {field["place"]: unset if wanted is None else wanted})
        load_text(text, tmp_path / "songs.yaml")


def test_white_noise_rises_1_db_per_third_octave():
    noise = np.random.default_rng(18).normal(0, 0.1, (8 * 48000, 2)).astype(np.float32)
    levels = third_octaves(noise, 48000)
    expected = -20 + 10 * np.log10(np.array(NOMINAL_HZ) * 0.2316 / 24000)
    assert np.abs(levels - expected)[8:].max() < 0.4  # nominal frequencies are rounded
    assert third_octaves(np.zeros((1, 2), np.float32), 48000).max() == -120


SOUNDING = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: TWE-018}
level: {match: track, target: -9, ceiling: -1}
disc: {make: false}
download: {formats: [flac-24]}
tracks:
  - title: Low Lantern
    audio: 1.wav
    equaliser: [{shape: bell, hz: 4000, db: 6, q: 1.4}]
    compress: {threshold: -24, ratio: 3}
"""


def test_gain_reduction_is_that_of_the_build_and_the_spectrum_shows_the_eq(tmp_path):
    swell = np.interp(np.arange(5 * 44100), [0, 1e5, 2e5], [0.03, 0.5, 0.06])
    noise = np.random.default_rng(18).normal(0, 0.3, (5 * 44100, 2)) * swell[:, None]
    soundfile.write(tmp_path / "1.wav", noise, 44100, subtype="PCM_24")
    source = load_text(SOUNDING, tmp_path / "songs.yaml")
    (tmp_path / "scratch").mkdir()
    cache = CacheFolder(cache_path())
    sound = Sound(cache, tmp_path / "scratch", lambda: None, lambda _: Resolved(), Lock())
    sound.settle(check(source))
    preview = level_picture(sound, 0, 1, 4)
    while ("track", 0) not in sound.settled.tracks:
        assert sound.settled.findings == ()
        time.sleep(0.02)
    found, shown = level_picture(sound, 0, 0, 5), level_picture(sound, 0, 1, 4)
    sound.close()
    folder = build(source, tmp_path / "out", only=("download",)).release_dir
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))["tracks"][0]
    for course, reported in (("limiter_db", "limiting"), ("compressor_db", "compression")):
        most, at_s = report[reported]["most_db"], report[reported]["at_s"]
        assert max(found[course]) == pytest.approx(most, abs=0.006)
        assert found[course].index(max(found[course])) == int(at_s * 10)
        assert most > 1
        assert shown[course] == found[course][10:40]
    assert preview["compressor_db"] == pytest.approx(shown["compressor_db"], abs=0.02)
    assert len(preview["limiter_db"]) == 30
    change = np.array(found["finished_db"]) - found["source_db"]
    at = [found["hz"].index(hz) for hz in (500, 4000, 16000)]
    assert change[at[1]] - change[at[0]] == pytest.approx(6, abs=0.7)
    assert change[at[2]] < change[at[1]] - 4
