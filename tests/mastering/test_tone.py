"""Tracks whose tone is matched: bands in report and `measure`, and the delivered spectra."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml
from scipy.signal import butter, sosfilt

from assembler import build, load, verify
from assembler.commands.main import main
from assembler.dsp.third_octaves import third_octaves
from assembler.dsp.tone_match import spectral_distance
from assembler.errors import FindingsError
from assembler.manifest.load import load_to_check
from assembler.text import decimal

RATE_HZ = 44100
HEAD = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: T}
level: {match: none}
disc: {make: false}
download: {formats: [wav-24]}
tracks:
- {title: Low Lantern, audio: a.wav}
- {title: Undertow, audio: dull.wav, tone_like: 1}
- {title: Bell Buoy, audio: quiet.wav, tone_like: 1}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a finished release, whose last track has the bands that `measure` printed."""
    folder = tmp_path_factory.mktemp("tone")
    noise = np.random.default_rng(23).normal(0, 0.05, (6 * RATE_HZ, 2))
    dull = noise + 1.5 * sosfilt(butter(1, 900, fs=RATE_HZ, output="sos"), noise, axis=0)
    for name, sound in (("a", noise), ("dull", 0.5 * dull), ("quiet", 0.3 * noise)):
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="PCM_24")
    (folder / "m.yaml").write_text(HEAD, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def printed(folder: Path) -> str:
    with pytest.MonkeyPatch.context() as patch:
        lines: list[str] = []
        patch.setattr("rich.console.Console.print", lambda _self, *a, **_k: lines.append(str(*a)))
        assert main(["measure", str(folder / "m.yaml")]) == 0
    return "\n".join(lines)


@pytest.fixture(scope="module")
def release(folder: Path, printed: str) -> Path:
    bands = yaml.safe_load(printed[printed.index("equaliser:") :].split("#")[0])["equaliser"]
    pasted = json.dumps({"title": "Ropewalk Round", "audio": "dull.wav", "equaliser": bands})
    (folder / "m.yaml").write_text(f"{HEAD}- {pasted}\n- {{title: Net Loft, audio: dull.wav, "
                                   "tone: album}\n", encoding="utf-8")  # fmt: skip
    build(load(folder / "m.yaml"), folder / "out", only=["download", "proof"])
    return folder / "out/T"


def _levels(path: Path) -> np.ndarray:
    return third_octaves(soundfile.read(path, dtype="float32")[0], RATE_HZ)


@pytest.mark.thorough
def test_the_delivered_spectrum_is_nearer_to_the_reference_as_reported(
    folder: Path, release: Path
) -> None:
    report = json.loads((release / "report.json").read_text(encoding="utf-8"))
    tone = report["tracks"][1]["done"]["tone"]
    reference = _levels(folder / "a.wav")
    before_db = spectral_distance(_levels(folder / "dull.wav"), reference, RATE_HZ)
    delivered = _levels(release / "download/wav-24/02 Undertow.wav")
    after_db = spectral_distance(delivered, reference, RATE_HZ)
    assert tone["like"] == "track 1"
    assert tone["before_db"] == pytest.approx(before_db, abs=0.05)
    assert tone["after_db"] == pytest.approx(after_db, abs=0.05)
    assert after_db < 0.5 * before_db
    assert report["tracks"][4]["done"]["tone"]["after_db"] < tone["before_db"]
    text = " ".join((release / "report.txt").read_text(encoding="utf-8").split())
    assert f"spectral distance {tone['before_db']:.2f} dB before, {tone['after_db']:.2f} dB" in text
    page = (release / "proof/index.html").read_text(encoding="utf-8")
    for when in ("before", "after"):
        shown = re.findall(f'"Tone match: distance {when}">(.*?)<', page)
        matched = (one["done"].get("tone") or {} for one in report["tracks"])
        assert shown == [decimal(one.get(f"{when}_db")) for one in matched]
    assert verify(release).ok


def test_a_track_that_is_alike_passes_bit_for_bit(folder: Path, release: Path) -> None:
    made, _ = soundfile.read(release / "download/wav-24/03 Bell Buoy.wav", dtype="int32")
    source, _ = soundfile.read(folder / "quiet.wav", dtype="int32")
    assert np.array_equal(made[: len(source)], source)


def test_the_printed_bands_make_the_same_samples(release: Path) -> None:
    matched, pasted = (
        soundfile.read(release / f"download/wav-24/{name}.wav", dtype="int32")[0]
        for name in ("02 Undertow", "04 Ropewalk Round")
    )
    assert np.array_equal(matched, pasted)


def test_measure_prints_what_needs_no_band(printed: str) -> None:
    assert "# track 2, tone like track 1: spectral distance " in printed
    assert "# track 3, tone like track 1: spectral distance 0.0 dB: no band needed" in printed


def test_measure_matches_all_tracks_if_asked(folder: Path, capsys) -> None:
    path = folder / "plain.yaml"
    path.write_text(HEAD.replace(", tone_like: 1", ""), encoding="utf-8")
    assert main(["measure", "--json", "--tone-like", "1", str(path)]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    assert ["tone" in one for one in files] == [False, True, True]
    assert files[1]["tone"]["bands"]
    assert files[2]["tone"] == {
        "like": "track 1", "bands": [], "before_db": pytest.approx(0, abs=0.01),
        "after_db": pytest.approx(0, abs=0.01),
    }  # fmt: skip
    assert main(["measure", "--tone-like", "album", str(folder / "a.wav")]) == 1
    assert "--tone-like needs a manifest" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("key", "code"),
    [("tone_like: 7", "tone-of-nothing"), ("tone_like: 2", "tone-of-nothing"),
     ("tone_like: 3", "tone-of-matched"), ("tone_like: 1, tone: album", "two-references")],
)  # fmt: skip
def test_a_reference_that_can_not_be_one_is_refused(folder: Path, key: str, code: str) -> None:
    path = folder / "wrong.yaml"
    path.write_text(HEAD.replace("tone_like: 1", key, 1), encoding="utf-8")
    with pytest.raises(FindingsError, match=code):
        build(load_to_check(path))
