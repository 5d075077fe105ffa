"""report.txt: the desk's log says what came in, what was done and what came out, in 100 columns.

Its content is compared with other programs: hashlib, libsndfile, ffmpeg's ebur128, soxr
for true peaks, and for line widths the table of rich.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from outside import ebur128, true_peak_16
from rich.cells import cell_len

from assembler import build, load, verify
from assembler.finished.report_form import SCHEMA_VERSION, ReleaseReport, StepReport
from assembler.finished.report_text import _step, report_text
from assembler.release.build_report import BuildReport

RATE_HZ = 48000
TITLES = ("Ferryman’s Grace", "潮待ちの歌 " * 12, "أغنية المد والجزر", "ज्वार का गीत", "W" * 240)
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: T}
level: {match: track, target: -16, ceiling: -1}
download: {formats: [flac-24, mp3-320]}
tracks:
- title: %s
  audio: a.wav
  isrc: AA-6Q7-27-00001
  start: 0.5
  end: 5.75
  fade_in: 0.02
  fade_out: 1.5
  fade_shape: linear
  trim: -1.5
  equaliser: [{shape: high_pass, hz: 30, slope: 24}, {shape: bell, hz: 2800, db: -1.5, q: 1.2}]
- title: %s
  audio: {left: left.wav, right: right.wav}
- {title: %s, audio: a.wav, gap: 0}
- {title: %s, audio: a.wav, overlap: 1}
- {title: %s, audio: a.wav}
"""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> BuildReport:
    """Five tracks in several scripts, one from a pair of mono files."""
    folder = tmp_path_factory.mktemp("report")
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    tone = 0.1 * np.sin(2 * np.pi * 440.3 * t) * (1 + np.sin(2 * np.pi * 1.7 * t))
    soundfile.write(folder / "a.wav", np.stack([tone, 0.7 * tone], 1), RATE_HZ, subtype="PCM_24")
    for side, gain in (("left", 0.3), ("right", 0.5)):
        soundfile.write(folder / f"{side}.wav", gain * tone, RATE_HZ, subtype="PCM_16")
    path = folder / "T.yaml"
    path.write_text(MANIFEST % tuple(map(json.dumps, TITLES)), encoding="utf-8")
    return build(load(path), folder / "out", only=("disc", "download"))


@pytest.fixture(scope="module")
def text(built: BuildReport) -> str:
    return (built.release_dir / "report.txt").read_text(encoding="utf-8")


def of_track(text: str, number: int) -> str:
    """Return the part about a track, its lines joined."""
    part = re.split(r"\n(?=0\d )", text.partition("Tracks\n------\n")[2])[number]
    return re.sub(r"\s+", " ", part)


@pytest.mark.thorough
def test_it_is_the_report_as_text(built, text):
    content = json.loads((built.release_dir / "report.json").read_text(encoding="utf-8"))
    assert report_text(ReleaseReport.model_validate_json(json.dumps(content))) == text
    assert verify(built.release_dir).ok
    assert "reports: 1" in verify(built.release_dir).proofs


def test_its_lines_stay_within_100_columns_in_any_script(text):
    assert max(map(cell_len, text.splitlines())) <= 100
    assert all(line == line.rstrip() for line in text.splitlines())
    together = re.sub(r"\s", "", text)
    for title in TITLES:
        assert re.sub(r"\s", "", title) in together


def test_it_has_the_sources(built, text):
    folder = built.release_dir.parents[1]
    for number, names in ((1, ["a.wav"]), (2, ["left.wav", "right.wav"])):
        part = of_track(text, number)
        for name in names:
            found = soundfile.info(folder / name)
            channels = "1 channel" if found.channels == 1 else "2 channels"
            bits = found.subtype.removeprefix("PCM_")
            assert f"{name}: WAV {found.subtype}, 48000 Hz, {bits} bit, {channels}, 0:06.00" in part
            assert hashlib.sha256((folder / name).read_bytes()).hexdigest() in part


def test_it_has_the_processing(text):
    part = of_track(text, 1)
    assert "section 0:00.50 to 0:05.75, samples 24000 to 276000: 0:05.25" in part
    assert "EQ high pass 30 Hz 24 dB/octave; bell 2800 Hz −1.50 dB q 1.2" in part
    assert "fades in 0.02 s, out 1.5 s, linear" in part
    assert "gain trim −1.50 dB, disc +" in part
    assert "ISRC" not in part
    assert "[AA-6Q7-27-00001]" in part
    assert "EQ none fades none" in of_track(text, 2)
    assert "gap before it none" in of_track(text, 3)
    assert "overlap 1 s with the track before" in of_track(text, 4)


def test_its_levels_are_those_that_are_read_from_outside(built, text):
    for number in (1, 2, 5):
        levels = re.search(
            r"download levels (\S+) LUFS, (\S+) dBTP.*; (\d+) Hz, 24 bit", of_track(text, number)
        )
        assert levels is not None
        (path,) = (built.release_dir / "download" / "flac-24").glob(f"0{number} *")
        lufs, dbtp = (float(text.replace("−", "-")) for text in levels.groups()[:2])
        assert lufs == pytest.approx(ebur128(path)["I"], abs=0.1)
        assert dbtp == pytest.approx(true_peak_16(path), abs=0.1)
        assert int(levels[3]) == soundfile.info(path).samplerate


def test_it_has_the_digest_of_every_file(built, text):
    sums = (built.release_dir / "SHA256SUMS").read_text(encoding="utf-8").splitlines()
    listed = dict(reversed(line.split("  ", 1)) for line in sums)
    own = {"report.json", "report.txt", "manifest.yaml"}
    assert own < set(listed)
    assert built.report.files == {n: listed[n] for n in listed if n not in own}
    together = re.sub(r"\s", "", text.partition("Files and their SHA-256")[2])
    for name, digest in built.report.files.items():
        assert re.sub(r"\s", "", name) + digest in together


def test_it_names_versions_and_no_place_or_time(built, text):
    import importlib.metadata

    for package in ("numpy", "soundfile", "soxr", "imageio-ffmpeg", "mutagen"):
        assert f"{package} {importlib.metadata.version(package)}" in re.sub(r"\s+", " ", text)
    both = text + (built.release_dir / "report.json").read_text(encoding="utf-8")
    assert str(built.release_dir.parents[1]) not in both
    assert not re.search(r"20[2-9]\d-\d\d-\d\d", both)


def test_the_same_release_gives_the_same_text(built, text, tmp_path):
    source = load(built.release_dir.parents[1] / "T.yaml")
    again = build(source, tmp_path, only=("disc", "download"), jobs=1)
    assert (again.release_dir / "report.txt").read_text(encoding="utf-8") == text


def test_findings_have_their_line(built, text):
    assert built.findings
    together = re.sub(r"\s", "", text.partition("\nFindings\n")[2])
    for finding in built.report.findings:
        line = f"line {finding.line}: {finding.message} [{finding.code}]"
        assert re.sub(r"\s", "", line) in together


def _write_sums(release: Path) -> None:
    sums = release / "SHA256SUMS"
    names = [line.split("  ", 1)[1] for line in sums.read_text(encoding="utf-8").splitlines()]
    digests = (hashlib.sha256((release / name).read_bytes()).hexdigest() for name in names)
    lines = [f"{digest}  {name}\n" for digest, name in zip(digests, names, strict=True)]
    sums.write_text("".join(lines), encoding="utf-8")


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("name", "old", "new", "code"),
    [
        ("report.txt", "−16.0", "−15.0", "other-report"),
        ("report.json", '"trim_db": -1.5', '"trim_db": -2.5', "other-report"),
        ("report.json", '"T.cue": "', '"T.cue": "f', "unreadable-file"),
        ("download/release.csv", ",", ";", "other-checksum"),
        ("report.json", '"came_in"', '"went_out"', "unreadable-file"),
    ],
)
def test_verify_finds_a_changed_report(built, tmp_path, name, old, new, code):
    release = Path(shutil.copytree(built.release_dir, tmp_path / "T"))
    path = release / name
    content = path.read_text(encoding="utf-8")
    key = old if old in content else old.replace('"T.cue"', '"disc/T.cue"')
    assert key in content
    path.write_text(content.replace(key, new), encoding="utf-8")
    _write_sums(release)
    assert code in {finding.code for finding in verify(release).findings}


def test_a_report_of_a_later_schema_is_refused_with_its_version(built, tmp_path):
    release = Path(shutil.copytree(built.release_dir, tmp_path / "T"))
    content = json.loads((release / "report.json").read_text(encoding="utf-8"))
    assert content["schema_version"] == SCHEMA_VERSION
    content["schema_version"] = SCHEMA_VERSION + 1
    (release / "report.json").write_text(json.dumps(content), encoding="utf-8")
    _write_sums(release)
    (finding,) = verify(release).findings
    assert finding.code == "unreadable-file"
    assert f"its schema version is {SCHEMA_VERSION + 1}" in finding.message


def test_a_report_without_a_schema_version_is_read(built):
    content = json.loads((built.release_dir / "report.json").read_text(encoding="utf-8"))
    del content["schema_version"]
    assert ReleaseReport.model_validate_json(json.dumps(content)).schema_version == 1


def test_a_step_has_its_readings_in_three_digits():
    step = StepReport(
        step="hum", done="hum removed", measure="hum, dBFS", before=-38.605, after=None
    )
    assert _step(step) == "hum removed (hum, dBFS: −38.6 before all steps, none after)"
    step = StepReport(step="dropouts", done="15 found", measure="dropouts", before=15.0, after=0.0)
    assert _step(step) == "15 found (dropouts: 15 before all steps, 0 after)"
