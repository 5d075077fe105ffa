"""What `verify` says of out-of-date deliverables, of a damaged report, and with a second meter.

The second meter is held against pyloudnorm's own measurement of a whole file, and against a sine
whose loudness and true peak are known.
"""

from __future__ import annotations

import copy as copying
import json
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from long_runs import series
from pyloudnorm import Meter

from assembler import AssemblerError, build, load, verify
from assembler.commands.main import main
from assembler.compare.comparison import compare
from assembler.finished.finished import UnreadableError, open_finished
from assembler.verification.second_meter import SecondReading, second_reading

RATE_HZ = 44100
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-9}
level: {match: none}
download: {formats: [flac-16]}
tracks:
- {title: Low Lantern, audio: a.wav, composers: [Ines Falk], isrc: AA-6Q7-27-00001}
- {title: Undertow, audio: a.wav, isrc: AA-6Q7-27-00002}
"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("verify")
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    sound = 0.3 * np.sin(2 * np.pi * 220 * t) * (1 + 0.5 * np.sin(2 * np.pi * t))
    soundfile.write(folder / "a.wav", np.stack([sound, 0.5 * sound], 1), RATE_HZ, subtype="PCM_24")
    (folder / "songs.yaml").write_text(MANIFEST, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def finished(desk: Path) -> Path:
    return build(load(desk / "songs.yaml"), desk / "out").release_dir


def test_deliverables_of_an_earlier_manifest_are_out_of_date(
    desk: Path, finished: Path, tmp_path: Path
) -> None:
    shutil.copytree(finished, tmp_path / "TWE-9")
    edited = MANIFEST.replace("00002", "00003").replace("Ines Falk", "Oda Brenn")
    (tmp_path / "songs.yaml").write_text(edited, encoding="utf-8")
    shutil.copy(desk / "a.wav", tmp_path)
    report = build(load(tmp_path / "songs.yaml"), tmp_path, only=["disc", "download"])
    (warning,) = (one for one in report.findings if one.code == "stale-room")
    assert warning.severity == "warning"
    assert warning.message.startswith("paper, proof: ")
    found = verify(report.release_dir)
    stale = [one for one in found.findings if one.code == "stale-room"]
    assert [(one.severity, one.file) for one in stale] == [("error", "paper"), ("error", "proof")]
    whole = build(load(tmp_path / "songs.yaml"), tmp_path)
    assert "stale-room" not in {one.code for one in whole.findings}
    assert verify(whole.release_dir).ok


def test_a_comment_in_the_manifest_makes_nothing_out_of_date(
    desk: Path, finished: Path, tmp_path: Path
) -> None:
    shutil.copytree(finished, tmp_path / "TWE-9")
    shutil.copy(desk / "a.wav", tmp_path)
    (tmp_path / "songs.yaml").write_text("# for the plant\n" + MANIFEST, encoding="utf-8")
    report = build(load(tmp_path / "songs.yaml"), tmp_path, only=["paper"])
    assert "stale-room" not in {one.code for one in report.findings}
    found = verify(report.release_dir)
    assert found.ok and not found.findings
    assert "track levels on the image: 2" in found.proofs  # its levels were taken over


def test_another_source_of_the_same_name_makes_the_rest_out_of_date(
    desk: Path, finished: Path, tmp_path: Path
) -> None:
    shutil.copytree(finished, tmp_path / "TWE-9")
    (tmp_path / "songs.yaml").write_text(MANIFEST, encoding="utf-8")
    sound, _ = soundfile.read(desk / "a.wav")
    soundfile.write(tmp_path / "a.wav", 0.9 * sound, RATE_HZ, subtype="PCM_24")
    release = build(load(tmp_path / "songs.yaml"), tmp_path, only=["disc"]).release_dir
    stale = [one for one in verify(release).findings if one.code == "stale-room"]
    assert {one.file for one in stale} == {"download", "paper", "proof"}
    assert all("other sources" in one.message for one in stale)


def test_a_second_manifest_with_the_same_number_is_refused(
    desk: Path, finished: Path, tmp_path: Path
) -> None:
    other = desk / "other.yaml"
    other.write_text(MANIFEST.replace("Slack Water", "Ebb"), encoding="utf-8")
    with pytest.raises(AssemblerError, match=r"TWE-9: has the release of .*songs\.yaml, and other"):
        build(load(other), finished.parent)
    assert verify(finished).ok
    assert build(load(other), tmp_path).release_dir.is_dir()
    namesake = tmp_path / "elsewhere" / "songs.yaml"
    namesake.parent.mkdir()
    shutil.copy(desk / "a.wav", namesake.parent)
    namesake.write_text(other.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(
        AssemblerError, match="give one of them another catalogue number, or build into another"
    ):
        build(load(namesake), finished.parent)


def blocks_of(samples: np.ndarray, size: int) -> Iterator[np.ndarray]:
    return (samples[first : first + size] for first in range(0, len(samples), size))


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_the_second_meter_is_pyloudnorm_in_blocks(rate_hz: int) -> None:
    rng = np.random.default_rng(rate_hz)
    t = np.arange(20 * rate_hz) / rate_hz
    sound = rng.normal(0, 0.1, (len(t), 2)) * (0.02 + (t % 5 > 2))[:, None]
    lufs, _ = second_reading(blocks_of(sound, 70_001), rate_hz)
    right = Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound)
    assert lufs == pytest.approx(right, abs=0.01)


def test_the_second_meter_on_a_sine_of_known_loudness_and_peak() -> None:
    """997 Hz at −20 dBFS in both channels is −20 LUFS (BS.1770-5); a quarter of the rate at 45° has
    its samples 3.01 dB below its peak."""
    t = np.arange(5 * 48000) / 48000
    tone = np.stack(2 * [0.1 * np.sin(2 * np.pi * 997 * t)], 1)
    assert second_reading([tone], 48000) == pytest.approx((-20.0, -20.0), abs=0.05)
    between = np.stack(2 * [0.5 * np.sin(np.pi * np.arange(48000) / 2 + np.pi / 4)], 1)
    peak = second_reading([between * np.hanning(48000)[:, None]], 48000)[1]
    assert peak == pytest.approx(-6.02, abs=0.05)
    assert second_reading([np.zeros((48000, 2))], 48000) == (None, None)


def test_verify_prints_both_meters(finished: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(finished), "--second-meter", "--json"]) == 0
    readings = json.loads(capsys.readouterr().out)["second_meter"]
    assert [one["path"] for one in readings] == [
        "disc/TWE-9.wav, track 1",
        "disc/TWE-9.wav, track 2",
        "download/flac-16/01 Low Lantern.flac",
        "download/flac-16/02 Undertow.flac",
    ]
    for one in readings:
        assert one["integrated_lufs"] == pytest.approx(one["pyloudnorm_lufs"], abs=0.1)
        assert one["true_peak_dbtp"] == pytest.approx(one["soxr_16_dbtp"], abs=0.1)
    assert main(["verify", str(finished), "--second-meter"]) == 0
    assert "pyloudnorm" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("lufs", "dbtp", "agrees"),
    [(-14.0, -1.0, True), (-14.09, -1.09, True), (-14.11, -1.0, False), (-14.0, -0.89, False),
     (None, -1.0, False)],
)  # fmt: skip
def test_meters_that_are_off(lufs: float | None, dbtp: float, agrees: bool) -> None:
    assert SecondReading("a.flac", -14.0, -1.0, lufs, dbtp).agrees is agrees


def test_a_meter_that_is_off_is_an_error(finished: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    off = "assembler.verification.levels.second_reading"
    monkeypatch.setattr(off, lambda *_: (-99.0, -1.0))
    found = verify(finished, second_meter=True)
    assert [one.code for one in found.findings] == 4 * ["meters-differ"]
    assert "pyloudnorm −99.00 LUFS" in found.findings[0].message


@pytest.mark.thorough
def test_pyloudnorm_is_loaded_only_for_the_second_meter(finished: Path) -> None:
    code = (
        "import sys\nfrom pathlib import Path\nfrom assembler import verify\n"
        f"verify(Path({str(finished)!r}))\nprint('pyloudnorm' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.fixture
def damaged(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "TWE-9"))


def test_single_bits_of_the_report(damaged: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each ends in one clear line or a release that differs, never in a traceback."""
    path = damaged / "report.json"
    content = path.read_bytes()
    bits = random.Random(7).sample(range(8 * len(content)), series(400, 60))
    for number, bit in enumerate(bits):
        flipped = bytearray(content)
        flipped[bit // 8] ^= 1 << bit % 8
        path.write_bytes(bytes(flipped))
        try:
            open_finished(damaged)
        except UnreadableError as error:
            assert "\n" not in str(error) and str(path) in str(error)
        if number < 4:
            assert main(["verify", str(damaged), "--json"]) == 1
            out, err = capsys.readouterr()
            assert "report.json" in {one["file"] for one in json.loads(out)["findings"]}
            assert "Traceback" not in err


SHAPES: tuple[Any, ...] = (None, [], {}, "x", -1, 1e300, True, [[]], "../../x")


def places(tree: Any, *above: Any) -> Iterator[tuple[Any, ...]]:
    items = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in items:
        yield (*above, key)
        if isinstance(value, dict | list):
            yield from places(value, *above, key)


@pytest.mark.thorough
def test_reshaped_reports(damaged: Path) -> None:
    path = damaged / "report.json"
    report = json.loads(path.read_text(encoding="utf-8"))
    chosen = random.Random(3).sample(list(places(report)), series(150, 60))
    passed = []
    for number, place in enumerate(chosen):
        for shape in (*SHAPES, "missing"):
            changed = copying.deepcopy(report)
            at = changed
            for key in place[:-1]:
                at = at[key]
            if shape == "missing":
                del at[place[-1]]
            else:
                at[place[-1]] = shape
            path.write_text(json.dumps(changed), encoding="utf-8")
            try:
                open_finished(damaged)
            except UnreadableError as error:
                assert "\n" not in str(error)
            else:
                passed.append((number, changed))
    assert passed
    for _, changed in random.Random(5).sample(passed, series(30, 5)):
        path.write_text(json.dumps(changed), encoding="utf-8")
        assert not verify(damaged).ok


@pytest.mark.parametrize("content", [b"", b"[]", b"{}", b"null", b"\xff", b"[" * 100_000])
def test_a_file_that_is_not_a_report(damaged: Path, finished: Path, content: bytes) -> None:
    (damaged / "report.json").write_bytes(content)
    found = verify(damaged)
    assert {("changed-file", "report.json"), ("unreadable-file", "report.json")} <= {
        (one.code, one.file) for one in found.findings
    }
    with pytest.raises(AssemblerError, match=r"report\.json: is not the report of this release"):
        compare(finished, damaged)


def test_an_image_that_was_cut_short(damaged: Path, finished: Path) -> None:
    image = damaged / "disc/TWE-9.wav"
    image.write_bytes(image.read_bytes()[:100_000])
    assert ("image-length", "disc/TWE-9.wav") in {
        (one.code, one.file) for one in verify(damaged).findings
    }
    with pytest.raises(AssemblerError, match=r"disc/TWE-9\.wav: ends before its length"):
        compare(finished, damaged)
