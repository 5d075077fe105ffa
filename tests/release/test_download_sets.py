"""Sets of download files: each with its own folder, formats, rate and level.

Loudness and peaks are read with ffmpeg's ebur128 and a 16-times oversampled peak, tags with TagLib.
Loudness targets: EBU R 128 for the radio set.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from desk import Desk
from outside import ebur128, tags_by_taglib, true_peak_16

from assembler import build, load

RATE_HZ = 48000
SETS = """\
download:
  - name: shop
    formats: [flac-24, mp3-320]
    rate: 44100
    level: {target: -14}
  - name: hi-res
    formats: [flac-24]
    level: {match: none, ceiling: 0}
  - name: radio
    formats: [wav-16]
    level: {match: track, target: -23, ceiling: -1}
"""
HEAD = """\
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
level: {match: album, target: -14, ceiling: -1}
"""
TRACKS = """\
tracks:
  - {title: Low Lantern, audio: a.wav}
  - {title: Tide Table, audio: b.wav, gap: 0}
"""
FILES = {
    "shop": ("download/shop/flac-24/{}.flac", "download/shop/mp3-320/{}.mp3"),
    "hi-res": ("download/hi-res/flac-24/{}.flac",),
    "radio": ("download/radio/wav-16/{}.wav",),
}
NAMES = ("01 Low Lantern", "02 Tide Table")


def music(seed: int, loudness: float) -> np.ndarray:
    """Return ten seconds of noise that swells, in two channels."""
    noise = np.random.default_rng(seed).standard_normal((10 * RATE_HZ, 2))
    swell = 0.6 + 0.4 * np.sin(np.arange(len(noise)) / RATE_HZ)[:, None]
    return np.clip(loudness * noise * swell, -0.95, 0.95)


@pytest.fixture(scope="module")
def three_sets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A release that is only read, in `finished` beside its sources."""
    folder = tmp_path_factory.mktemp("sets")
    for name, seed, loudness in (("a.wav", 1, 0.08), ("b.wav", 2, 0.02)):
        soundfile.write(folder / name, music(seed, loudness), RATE_HZ, subtype="PCM_24")
    (folder / "songs.yaml").write_text(HEAD + SETS + TRACKS, encoding="utf-8")
    return build(load(folder / "songs.yaml"), folder / "finished").release_dir


@pytest.fixture
def own_sets(desk: Desk, three_sets: Path) -> Path:
    """A copy of it on the desk, with its sources."""
    shutil.copytree(three_sets.parents[1], desk.folder, dirs_exist_ok=True)
    return desk.release


def test_each_set_has_its_folder_tables_and_files(three_sets: Path) -> None:
    for name, files in FILES.items():
        folder = three_sets / "download" / name
        for form in files:
            for track in NAMES:
                assert (three_sets / form.format(track)).is_file()
        table = json.loads((folder / "release.json").read_text())
        assert [list(track["files"]) for track in table["tracks"]] == [
            [form.split("/")[2] for form in files]
        ] * 2
        assert (folder / "release.csv").is_file()
    assert {path.name for path in (three_sets / "download").iterdir()} == set(FILES)


def test_levels_by_an_outside_meter(three_sets: Path) -> None:
    read = {
        name: [ebur128(three_sets / files[0].format(track))["I"] for track in NAMES]
        for name, files in FILES.items()
    }
    assert read["shop"][0] == pytest.approx(-14, abs=0.15)
    assert read["radio"] == pytest.approx([-23, -23], abs=0.15)
    difference = read["shop"][0] - read["shop"][1]  # an album keeps it
    assert read["hi-res"][0] - read["hi-res"][1] == pytest.approx(difference, abs=0.3)
    for track in NAMES:
        assert true_peak_16(three_sets / FILES["radio"][0].format(track)) <= -0.95


def test_rates_and_bits_are_those_of_each_set(three_sets: Path) -> None:
    for name, rate_hz, form in (
        ("shop", 44100, "PCM_24"),
        ("hi-res", RATE_HZ, "PCM_24"),
        ("radio", 44100, "PCM_16"),
    ):
        info = soundfile.info(three_sets / FILES[name][0].format(NAMES[0]))
        assert (info.samplerate, info.subtype) == (rate_hz, form)


def test_a_set_without_a_match_has_the_source_bit_for_bit(three_sets: Path) -> None:
    source, _ = soundfile.read(three_sets.parents[1] / "a.wav", dtype="int32")
    file, _ = soundfile.read(three_sets / FILES["hi-res"][0].format(NAMES[0]), dtype="int32")
    assert np.array_equal(file[: len(source)], source)


def test_tags_by_another_reader(three_sets: Path) -> None:
    for form in (form for files in FILES.values() for form in files):
        tags = tags_by_taglib(three_sets / form.format(NAMES[1]))
        assert tags["TITLE"] == ["Tide Table"]
        assert tags["TRACKNUMBER"][0].split("/")[0] == "2"


def test_the_image_has_the_samples_of_a_set_at_its_level(desk: Desk) -> None:
    """Track files of one level, rate and bit depth, in order, are the image's samples."""
    for name, seed in (("a.wav", 1), ("b.wav", 2)):
        desk.sound(name, music(seed, 0.05), 44100, subtype="PCM_16")
    sets = "download:\n  - {name: shop, formats: [flac-16]}\n"
    sets += "  - {name: quiet, formats: [flac-16], level: {target: -20}}\n"
    assert desk.build(HEAD + sets + TRACKS)["ok"] is True
    image, _ = soundfile.read(desk.release / "disc" / "TWE-014.wav", dtype="int16")
    for name, same in (("shop", True), ("quiet", False)):
        files = [desk.release / f"download/{name}/flac-16/{track}.flac" for track in NAMES]
        sound = np.concatenate([soundfile.read(file, dtype="int16")[0] for file in files])
        assert np.array_equal(sound, image) is same


@pytest.mark.thorough
def test_a_release_with_sets_is_verified(desk: Desk, own_sets: Path) -> None:
    code, report = desk.json("verify", own_sets)
    assert (code, report["findings"]) == (0, [])
    other = own_sets / FILES["radio"][0].format(NAMES[0])
    content = bytearray(other.read_bytes())
    content[-1000:] = bytes(1000)
    other.write_bytes(content)
    code, report = desk.json("verify", own_sets)
    assert code == 1
    assert {f["where"] for f in report["findings"]} == {str(other.relative_to(own_sets))}


@pytest.mark.thorough
def test_packages_are_beside_their_set(desk: Desk, own_sets: Path) -> None:
    assert desk.run("build", desk.folder / "songs.yaml", "--out", desk.out, "--zip")[0] == 0
    name = "Halden Ferry Singers - Songs for Slack Water ({}).zip"
    for folder, form in (("shop", "mp3-320"), ("hi-res", "flac-24"), ("radio", "wav-16")):
        assert (own_sets / "download" / folder / name.format(form)).is_file()
    code, report = desk.json("verify", own_sets)
    assert (code, report["findings"]) == (0, [])


def test_the_report_has_the_level_of_each_set(desk: Desk, three_sets: Path) -> None:
    report = json.loads((three_sets / "report.json").read_text())
    assert {name: one["target"] for name, one in report["level"]["sets"].items()} == {
        "shop": -14,
        "hi-res": -14,
        "radio": -23,
    }
    assert "download" not in report["level"]
    for track in report["tracks"]:
        assert track["download"] is None
        assert track["sets"]["radio"]["integrated_lufs"] == pytest.approx(-23, abs=0.1)
    code, document = desk.json("compare", three_sets, three_sets)
    assert (code, document["differences"]) == (0, [])


@pytest.mark.thorough
def test_compare_names_the_set_that_changed(desk: Desk, own_sets: Path) -> None:
    old = desk.folder / "old"
    own_sets.rename(old)
    desk.build(HEAD + SETS.replace("target: -23", "target: -24") + TRACKS)
    code, document = desk.json("compare", old, own_sets)
    assert code == 0
    changes = [one["message"] for one in document["differences"] if one["code"] == "download"]
    assert changes == ["radio, level, target: −23 LUFS → −24 LUFS"]


@pytest.mark.parametrize(
    ("sets", "code", "where"),
    [
        ("[{formats: [flac-24]}]", "missing-key", "download"),
        ("[{name: a b, formats: [flac-24]}]", "bad-set-name", "download[0].name"),
        ("[{name: disc}]", "bad-set-name", "download[0].name"),
        ("[{name: flac-24}]", "bad-set-name", "download[0].name"),
        ("[{name: con}]", "bad-set-name", "download[0].name"),
        ("[{name: shop}, {name: Shop}]", "same-name", "download"),
        ("{name: shop}", "named-set", "download"),
        ("[]", "missing-key", "download"),
        ("[{name: shop, formats: [flac-17]}]", "bad-choice", "download[0].formats[0]"),
        ("{formats: [flac-17]}", "bad-choice", "download.formats[0]"),
        ("[{name: shop, format: [flac-24]}]", "unknown-key", "download[0].format"),
    ],
)
def test_wrong_sets(desk: Desk, sets: str, code: str, where: str) -> None:
    path = desk.write(f"{HEAD}download: {sets}\n{TRACKS}")
    exit_code, document = desk.json("check", path)
    assert exit_code == 1
    (found,) = [one for one in document["findings"] if one["severity"] == "error"]
    assert (found["code"], found["where"]) == (code, where)


def test_a_radio_set_that_would_not_comply(desk: Desk) -> None:
    for name in ("a.wav", "b.wav"):
        desk.sound(name, music(1, 0.05), RATE_HZ)
    sets = "download: [{name: radio, level: {target: -23, ceiling: -0.5}}]\n"
    found = desk.json("check", desk.write(HEAD + sets + TRACKS))[1]["findings"]
    codes = {one["code"]: one["where"] for one in found}
    assert codes["broadcast-match"] == codes["broadcast-ceiling"] == "download[0]"
    right = sets.replace("target: -23, ceiling: -0.5", "match: track, target: -23, ceiling: -1")
    found = desk.json("check", desk.write(HEAD + right + TRACKS))[1]["findings"]
    assert not {one["code"] for one in found} & {"broadcast-match", "broadcast-ceiling"}


def test_limiting_that_nobody_expects(desk: Desk) -> None:
    """Without a match, peaks at 0 dBFS are limited to the ceiling of -1 dBTP."""
    loud = music(1, 0.2)
    loud[::4000] = 0.99
    for name in ("a.wav", "b.wav"):
        desk.sound(name, loud if name == "a.wav" else 0.1 * loud, RATE_HZ)
    sets = "download: [{name: hi-res, formats: [flac-24], level: {match: none}}]\n"
    built = desk.build(HEAD + sets + TRACKS.replace("gap: 0", "gap: 1"))
    (found,) = [one for one in built["findings"] if one["code"] == "unexpected-limiting"]
    assert found["where"] == "download[0]"
    assert "nothing is matched" in found["message"]
    assert "track 1 " in found["message"]


@pytest.mark.parametrize(
    ("keys", "code"),
    [
        ("version_of: 3", "version-of-nothing"),
        ("version_of: 2", "version-of-nothing"),
        ("version_of: 1", "unnamed-version"),
        ("version_of: 1, version: Radio Edit", "version-without-writers"),
        ("version_of: 1, version: Radio Edit, isrc: AA-6Q7-27-00001", "duplicate-isrc"),
    ],
)
def test_versions_of_a_track(desk: Desk, keys: str, code: str) -> None:
    for name in ("a.wav", "b.wav"):
        desk.sound(name, music(1, 0.05), RATE_HZ)
    tracks = (
        "tracks:\n  - {title: Low Lantern, audio: a.wav, composers: [Ines Falk], "
        f"isrc: AA-6Q7-27-00001}}\n  - {{title: Low Lantern, audio: b.wav, {keys}}}\n"
    )
    document = desk.json("check", desk.write(HEAD + tracks))[1]
    assert code in {one["code"] for one in document["findings"]}
    assert document["tracks"][1]["title"].startswith("Low Lantern")
