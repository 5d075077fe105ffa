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
from assembler.listen.stretches import band_courses
from assembler.listen.tone_fields import levels_json, tone_json
from assembler.listen.tone_matches import ToneMatches
from assembler.manifest import load_text
from assembler.preflight.check import check
from assembler.release.inputs import inputs_of
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
        (
            {"tracks[0].equaliser[0].dynamic.threshold": -30},
            "db: -2}",
            "db: -2, dynamic: {threshold: -30}}",
        ),
        (
            {"disc.level.link": 80},
            "# as on the sleeve\n",
            "# as on the sleeve\ndisc: {level: {link: 80}}\n",
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
    groups = tone_json(0, source.manifest.tracks[0])
    assert [one["kind"] for one in groups] == ["bell", "high_shelf", "compress", "track"]
    fields = [field for one in groups for field in one["fields"]]
    known = {field["place"]: field["value"] for field in fields}
    assert known["tracks[0].equaliser[0].hz"] == 200
    assert known["tracks[0].equaliser[0].q"] is None
    assert known["tracks[0].compress.ratio"] == 2
    for field in [*fields, *(f for one in levels_json(source.manifest) for f in one["fields"])]:
        wanted = field["value"] if field["value"] is not None else field["fallback"]
        unset = {"clip": 1, "dynamic": -30, "tone_like": 3}.get(field["key"], 90)
        text = edited(tmp_path, {field["place"]: unset if wanted is None else wanted})
        changed = load_text(text, tmp_path / "songs.yaml")
        assert not changed.faults, field
        again = tone_json(0, changed.manifest.tracks[0]) + levels_json(changed.manifest)
        found = {one["place"]: one["value"] for group in again for one in group["fields"]}
        assert found[field["place"]] is not None, field


def test_the_only_key_of_a_section_takes_the_section_along(tmp_path):
    text = TEXT.replace("tracks:\n", "disc:\n  level:\n    link: 80   # wide\ntracks:\n", 1)
    source = load_text(text, tmp_path / "songs.yaml")
    assert changed_text(source, {"set": {"disc.level.link": None}}) == TEXT


def test_a_dynamic_band_is_shown_with_the_gain_reduction_that_it_has(tmp_path):
    t = np.arange(6 * 44100) / 44100
    level = np.where((t > 2) & (t < 4), -10.0, -40.0)  # dBFS, peak
    tone = 10 ** (level / 20) * np.sin(2 * np.pi * 1000 * t)
    soundfile.write(tmp_path / "1.wav", np.stack([tone, tone], axis=1), 44100, subtype="PCM_24")
    text = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water}
tracks:
  - title: Low Lantern
    audio: 1.wav
    equaliser:
      - {shape: high_pass, hz: 20}
      - {shape: bell, hz: 1000, db: -9, dynamic: {threshold: -22, ratio: 2, knee: 0}}
"""
    section = check(load_text(text, tmp_path / "songs.yaml")).sections[0]
    courses = band_courses(section, 1, 5)
    assert list(courses) == [2]
    assert len(courses[2]) == 40
    assert courses[2][25] == pytest.approx((22 - 10) / 2, abs=0.1)
    assert max(courses[2][:9]) == 0
    assert courses[2][-1] == pytest.approx(0, abs=0.05)
    assert band_courses(section, 3, 3.5)[2] == courses[2][20:25]


MATCHED = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water}
tracks:
  - {title: Low Lantern, audio: 1.wav}
  - {title: Tide Table, audio: 2.wav, tone_like: 1}
"""


def test_a_preview_has_the_tone_match_that_was_measured_as_long_as_it_holds(tmp_path):
    random = np.random.default_rng(18)
    white = random.normal(0, 0.1, (3 * 44100, 2))
    soundfile.write(tmp_path / "1.wav", white, 44100, subtype="PCM_24")
    dull = np.cumsum(white, axis=0) * 0.02
    soundfile.write(tmp_path / "2.wav", dull - dull.mean(axis=0), 44100, subtype="PCM_24")

    def checked(text, cache=None):
        source = load_text(text, tmp_path / "songs.yaml")
        found = check(source)
        if cache is None:
            return found
        digests = inputs_of(found, (), packages=False).digests(cache, map)
        return check(source, scratch=tmp_path, cache=cache, digests=digests)

    known = ToneMatches()
    assert known.applied(checked(MATCHED)).sections[1].tone.before_db is None
    exact = checked(MATCHED, CacheFolder(cache_path()))
    assert exact.sections[1].tone.bands
    known.note(exact)
    later = known.applied(checked(MATCHED.replace("tone_like: 1", "tone_like: 1, gap: 3")))
    assert later.sections[1].bands == exact.sections[1].bands
    assert later.editions["disc"].sections[1].bands == exact.sections[1].bands
    for change in (("1.wav}", "1.wav, mono_below: 90}"), ("2.wav", "2.wav, start: 1")):
        other = known.applied(checked(MATCHED.replace(*change)))
        assert other.sections[1].tone.before_db is None


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
