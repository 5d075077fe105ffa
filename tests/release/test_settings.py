"""What keys of the manifest do to a finished release: dither, fades, ISRC range, approval, zip.

Expected values are worked from the keys' meaning (manifests/every-key.yaml); the noise of the two
dithers is compared by its spectrum, as the shaped one's own tests measure it.
"""

from __future__ import annotations

import json
import zipfile
from datetime import date
from pathlib import Path

import mutagen
import numpy as np
import pytest
import soundfile

from assembler import build, load, verify
from assembler.commands.main import main
from assembler.release.build_report import BuildReport

RATE_HZ = 44100


def _quiet_tone(folder: Path, seconds: float = 6.0) -> None:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    tone = 0.05 * np.sin(2 * np.pi * 440.3 * t)
    soundfile.write(folder / "a.wav", np.stack([tone, tone * 0.7], 1), RATE_HZ, subtype="PCM_24")


def _manifest(folder: Path, text: str) -> Path:
    head = "release: {artist: A, title: B, catalogue_number: T}\nlevel: {match: none}\n"
    path = folder / "T.yaml"
    path.write_text(head + text, encoding="utf-8")
    return path


def _built(folder: Path, text: str, only: tuple[str, ...] = ("disc",)) -> BuildReport:
    report = build(load(_manifest(folder, text)), folder / "out", only=only)
    assert verify(report.release_dir).ok
    return report


def _noise_db(report: BuildReport, low_hz: float, high_hz: float) -> float:
    """Noise of the image in a band without the tone, dB against full scale per bin."""
    image, _ = soundfile.read(report.release_dir / "disc" / "T.wav")
    sound = image[RATE_HZ : RATE_HZ + (1 << 17), 0]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    return float(10 * np.log10(spectrum[(hz > low_hz) & (hz < high_hz)].mean()))


def test_shaped_dither_moves_the_noise(tmp_path):
    _quiet_tone(tmp_path)
    tracks = "tracks: [{title: One, audio: a.wav}]\n"
    bands = {}
    for dither in ("tpdf", "shaped", "none"):
        report = _built(tmp_path, f"disc: {{dither: {dither}}}\n{tracks}")
        bands[dither] = [_noise_db(report, *band) for band in ((2500, 3500), (19_000, 21_000))]
    assert bands["shaped"][0] < bands["tpdf"][0] - 15
    assert bands["shaped"][1] > bands["tpdf"][1] + 10
    assert bands["none"][0] < bands["tpdf"][0] - 3


@pytest.mark.parametrize(("shape", "half_way"), [("linear", 0.5), ("equal_power", 0.7071)])
def test_fades_have_their_shape(tmp_path, shape, half_way):
    soundfile.write(tmp_path / "a.wav", np.full((6 * RATE_HZ, 2), 0.5), RATE_HZ, subtype="PCM_24")
    track = f"{{title: One, audio: a.wav, fade_in: 2, fade_shape: {shape}}}"
    report = _built(tmp_path, f"tracks: [{track}]\n")
    image, _ = soundfile.read(report.release_dir / "disc" / "T.wav")
    assert image[RATE_HZ, 0] == pytest.approx(0.5 * half_way, abs=2e-4)
    assert image[2 * RATE_HZ + 10, 0] == pytest.approx(0.5, abs=2e-4)


def test_numbered_isrcs_reach_every_deliverable(tmp_path):
    _quiet_tone(tmp_path)
    text = (
        "tracks:\n- {title: One, audio: a.wav}\n"
        "- {title: Two, audio: a.wav, isrc: AA-6Q7-27-00012}\n- {title: Three, audio: a.wav}\n"
        "download: {formats: [flac-16]}\n"
    )
    path = _manifest(tmp_path, text)
    path.write_text(
        path.read_text().replace(
            "number: T}", "number: T, isrc: {prefix: AA6Q7, year: 27, first: 11}}"
        )
    )
    source = load(path)
    report = build(source, tmp_path / "out", only=("disc", "download", "paper"))
    assert verify(report.release_dir).ok
    codes = ["AA6Q72700011", "AA6Q72700012", "AA6Q72700013"]
    assert [track["isrc"] for track in report.as_json()["tracks"]] == codes
    cue = (report.release_dir / "disc" / "T.cue").read_text("latin-1")
    assert [line.split()[1] for line in cue.splitlines() if "ISRC" in line] == codes
    for name in ("disc/pq-sheet.txt", "paper/credits-sheet.txt", "paper/label-copy.txt"):
        text = (report.release_dir / name).read_text(encoding="utf-8").replace("-", "")
        assert all(code in text for code in codes), name
    (note,) = [f for f in report.findings if f.code == "isrc-from-range"]
    assert "track 1 AA-6Q7-27-00011, track 3 AA-6Q7-27-00013" in note.message


def test_an_approval_is_stored_and_a_change_is_reported(tmp_path, capsys):
    _quiet_tone(tmp_path)
    tracks = "tracks: [{title: One, audio: a.wav}]\n"
    first = _built(tmp_path, tracks, only=("proof",))
    assert not any("approv" in finding.code for finding in first.findings)
    approval = {
        "approval": 1,
        "release": "T",
        "proof_of": first.report.proof_of,
        "approved": True,
        "name": "Ines Falk",
        "remark": "",
        "tracks": [{"key": "1", "title": "One", "approved": True, "remark": ""}],
        "joins": [],
        "parts": [
            {"key": key, "title": "", "approved": True, "remark": ""} for key in ("words", "levels")
        ],
    }
    saved = tmp_path / "saved.json"
    saved.write_text(json.dumps(approval))
    assert main(["approve", str(saved)]) == 0
    out = capsys.readouterr().out
    assert f": approved by Ines Falk on {date.today().isoformat()}\n" in out
    assert "the next build reports whether the release is still the approved one" in out
    same = _built(tmp_path, tracks, only=("proof",))
    assert [f.code for f in same.findings if "approv" in f.code] == ["approved"]
    other = _built(tmp_path, tracks.replace("One", "Won"), only=("proof",))
    assert [f.code for f in other.findings if "approv" in f.code] == ["approved-release-changed"]
    saved.write_text(json.dumps({**approval, "release": "Another"}))
    assert main(["approve", str(saved)]) == 1
    assert "found no manifest of Another here" in capsys.readouterr().err
    saved.write_text("{}")
    assert main(["approve", str(saved), str(tmp_path / "T.yaml")]) == 1
    assert "not an approval file" in capsys.readouterr().err


def test_packages_hold_each_format(tmp_path):
    _quiet_tone(tmp_path)
    path = _manifest(
        tmp_path, "download: {formats: [flac-16, mp3-320]}\ntracks: [{title: One, audio: a.wav}]\n"
    )
    report = build(load(path), tmp_path / "out", only=("download",), packages=True)
    assert verify(report.release_dir).ok
    for name, suffix in (("flac-16", "flac"), ("mp3-320", "mp3")):
        with zipfile.ZipFile(report.release_dir / "download" / f"A - B ({name}).zip") as package:
            assert package.testzip() is None
            (inside,) = [n for n in package.namelist() if n.endswith(f"01 One.{suffix}")]
            beside = report.release_dir / "download" / name / f"01 One.{suffix}"
            assert package.read(inside) == beside.read_bytes()


def test_the_first_run_says_that_it_compiles(monkeypatch, tmp_path, capsys):
    _quiet_tone(tmp_path)
    monkeypatch.setattr("assembler.dsp.kernel_cache.compiles_first", lambda: True)
    assert main(["measure", str(tmp_path / "a.wav"), "--json"]) == 0
    printed = capsys.readouterr()
    assert "first run on this machine: compiling" in printed.err
    assert json.loads(printed.out)["files"][0]["channels"] == 2


def test_a_new_title_tags_the_archive_and_encodes_nothing(tmp_path, monkeypatch):
    """The new title read back from the archive by mutagen."""
    _quiet_tone(tmp_path)
    _built(tmp_path, "tracks: [{title: One, audio: a.wav}]\n")

    def encode(*_: object) -> None:
        raise AssertionError("the archive's sound was encoded again")

    monkeypatch.setattr("assembler.release.tasks.discs.encode_archive", encode)
    report = _built(tmp_path, "tracks: [{title: Another, audio: a.wav}]\n")
    archive = mutagen.File(report.release_dir / "disc" / "T.flac")
    assert archive["TRACK01_TITLE"] == ["Another"]
