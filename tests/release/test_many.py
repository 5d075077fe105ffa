"""Several releases in one call: each for itself, one failure stops no other."""

from __future__ import annotations

import errno
import json
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from rich.cells import cell_len

from assembler import load, verify
from assembler.commands.main import main
from assembler.download import formats
from assembler.finished.release_folder import read_checksums, write_checksums
from assembler.preflight.check import check
from assembler.release import batch, run
from assembler.release.building import make_release

RATE_HZ = 8000
MANIFEST = """\
release: {{artist: Halden Ferry Singers, title: Slack Water {n}, catalogue_number: TWE-{n:02d}}}
download: {{formats: [flac-16]}}
tracks:
- {{title: Low Lantern, audio: {n}.wav}}
- {{title: Tide Table, audio: {n}.wav, start: 1}}
"""


def manifest(folder: Path, n: int) -> Path:
    """Write a manifest and its recording: its own tone."""
    seconds = np.arange(5 * RATE_HZ) / RATE_HZ
    soundfile.write(folder / f"{n}.wav", 0.2 * np.sin(2 * np.pi * (200 + n) * seconds), RATE_HZ)
    path = folder / f"{n:02d}.yaml"
    path.write_text(MANIFEST.format(n=n), encoding="utf-8")
    return path


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Three manifests with their recordings, a terminal of 80 columns, an empty cache."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    for n in (1, 2, 3):
        manifest(tmp_path, n)
    return tmp_path


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict]:
    """Build with --json; return the exit code and the document."""
    capsys.readouterr()
    code = main(["build", *arguments, "--json"])
    out, err = capsys.readouterr()
    assert err == ""
    return code, json.loads(out)


@pytest.mark.thorough
def test_each_release_is_the_one_that_it_is_alone(desk, capsys, monkeypatch):
    code, result = document(capsys, "01.yaml", "02.yaml", "03.yaml", "--out", "together")
    assert (code, result["ok"]) == (0, True)
    assert [one["manifest"] for one in result["releases"]] == ["01.yaml", "02.yaml", "03.yaml"]
    monkeypatch.setenv("ASSEMBLER_STORE", str(desk / "another store"))
    for n, one in enumerate(result["releases"], 1):
        code, alone = document(capsys, f"{n:02d}.yaml", "--out", "alone")
        assert set(one) - set(alone) == {"manifest"}
        assert "releases" not in alone
        assert (one["tracks"], one["findings"]) == (alone["tracks"], alone["findings"])
        assert read_checksums(Path(one["release_dir"])) == read_checksums(
            Path(alone["release_dir"])
        )
        assert verify(Path(one["release_dir"])).ok


def test_a_folder_means_the_manifests_directly_in_it(desk, capsys):
    (desk / "config.yaml").write_text("colour: green\n")
    (desk / ".hidden.yaml").write_text(MANIFEST.format(n=1))
    (desk / "notes.txt").write_text(MANIFEST.format(n=1))
    (desk / "deeper").mkdir()
    (desk / "deeper" / "04.yaml").write_text(MANIFEST.format(n=4))
    (desk / "02.yaml").rename(desk / "02.YML")
    (desk / "broken.yml").write_text("release: {artist: A\ntracks:\n")
    code, result = document(capsys, ".", "--only", "paper")
    assert code == 1
    names = [Path(one["manifest"]).name for one in result["releases"]]
    assert names == ["01.yaml", "02.YML", "03.yaml", "broken.yml"]
    assert [one["ok"] for one in result["releases"]] == [True, True, True, False]


def test_a_folder_of_one_and_a_file_named_twice(desk, capsys):
    (desk / "one").mkdir()
    (desk / "01.yaml").rename(desk / "one" / "01.yaml")
    (desk / "1.wav").rename(desk / "one" / "1.wav")
    code, result = document(capsys, "one", "one/01.yaml", "--only", "paper")
    assert (code, len(result["releases"])) == (0, 1)
    assert main(["build", "nowhere"]) == 1
    assert "error nowhere: no such file or directory: check" in capsys.readouterr().out
    (desk / "empty").mkdir()
    assert main(["build", "empty"]) == 1
    assert "empty: no manifest in this folder" in capsys.readouterr().err


def test_one_failure_does_not_stop_the_rest(desk, capsys):
    (desk / "01.yaml").write_text("release: {artist: [}\ntracks: []\n")
    (desk / "2.wav").unlink()
    code = main(["build", "01.yaml", "02.yaml", "missing.yaml", "03.yaml", "--out", "out"])
    out, _ = capsys.readouterr()
    assert code == 1
    assert [path.name for path in (desk / "out").iterdir()] == ["TWE-03"]
    for text in ("01.yaml:1", "02.yaml:4", "missing.yaml", "1 of 4 releases made"):
        assert text in out
    assert out.count("not made") == 3


def test_damaged_sound_and_a_full_disk_stop_their_own_release_alone(desk, capsys, monkeypatch):
    samples, _ = soundfile.read("1.wav")
    samples[RATE_HZ] = np.nan
    soundfile.write("1.wav", samples, RATE_HZ, subtype="FLOAT")

    def full(folder: Path, digest: object) -> None:
        if folder.parent.name.startswith(".TWE-02"):
            raise OSError(errno.ENOSPC, "No space left on device", str(folder))
        write_checksums(folder, digest)

    monkeypatch.setattr(run, "write_checksums", full)
    code, result = document(capsys, "01.yaml", "02.yaml", "03.yaml", "--out", "out")
    assert code == 1
    assert [one["ok"] for one in result["releases"]] == [False, False, True]
    assert [one["findings"][0]["code"] for one in result["releases"][:2]] == [
        "not-a-number",
        "stopped",
    ]
    assert "No space left on device" in result["releases"][1]["findings"][0]["message"]
    assert [path.name for path in (desk / "out").iterdir()] == ["TWE-03"]


def test_two_that_would_write_one_folder_are_refused_before_anything_is_made(desk, capsys):
    (desk / "02.yaml").write_text(MANIFEST.format(n=2).replace("TWE-02", "twe-01"))
    code, result = document(capsys, "01.yaml", "02.yaml", "03.yaml", "--out", "out")
    assert code == 1
    first, second, third = result["releases"]
    assert (first["ok"], second["ok"], third["ok"]) == (False, False, True)
    assert (
        "01.yaml: would write out/TWE-01, and so would 02.yaml" in first["findings"][0]["message"]
    )
    assert (
        "02.yaml: would write out/twe-01, and so would 01.yaml" in second["findings"][0]["message"]
    )
    assert [path.name for path in (desk / "out").iterdir()] == ["TWE-03"]


def test_the_same_name_in_other_folders_is_allowed(desk, capsys):
    for name in ("a", "b"):
        (desk / name).mkdir()
        manifest(desk / name, 7)
    code, result = document(capsys, "a", "b", "--only", "paper")
    assert code == 0
    assert [one["release_dir"] for one in result["releases"]] == [
        "a/releases/TWE-07",
        "b/releases/TWE-07",
    ]


def test_the_table_fits_80_columns_and_shows_what_was_reused(desk, capsys):
    (desk / "02.yaml").write_text(MANIFEST.format(n=2).replace("Slack", "Slack " * 30))
    main(["build", "01.yaml", "--out", "out"])
    capsys.readouterr()
    code = main(["build", "01.yaml", "02.yaml", "missing.yaml", "--out", "out"])
    out, _ = capsys.readouterr()
    table = out[out.index("Release") :].splitlines()
    assert code == 1
    assert max(map(cell_len, table)) <= 80
    rows = {line.split()[0]: line.split() for line in table if line.split()}
    of_first = len([p for p in (desk / "out" / "TWE-01").rglob("*") if p.is_file()])
    assert rows["TWE-01"][1:3] == ["2", "00:11:00"]
    assert 0 < int(rows["TWE-01"][4]) <= of_first
    assert rows["TWE-02"][4] == "0"
    assert rows["missing.yaml"][3:5] == ["not", "made"]


def test_what_all_need_is_looked_up_once(desk, capsys, monkeypatch):
    """Both manifests are of the same recordings: the second finds the first's sound."""
    text = MANIFEST.format(n=1)
    (desk / "02.yaml").write_text(text.replace("TWE-01", "TWE-02"), encoding="utf-8")
    calls = []
    encode = formats.write_lossless
    monkeypatch.setattr(formats, "write_lossless", lambda *a: calls.append(a) or encode(*a))
    code, _ = document(capsys, "01.yaml", "02.yaml", "--out", "out")
    assert code == 0
    assert len(calls) == len(load(desk / "01.yaml").manifest.tracks)


@pytest.mark.thorough
def test_an_internal_error_in_one_stops_no_other(desk, capsys, monkeypatch):
    def failing_check(source):
        if source.path.name == "02.yaml":
            raise KeyError("a tag")
        return check(source)

    monkeypatch.setattr(batch, "check", failing_check)
    code, result = document(capsys, "01.yaml", "02.yaml", "03.yaml")
    assert (code, [one["ok"] for one in result["releases"]]) == (1, [True, False, True])
    assert "KeyError" in result["releases"][1]["findings"][0]["message"]
    monkeypatch.undo()

    def failing(checked, *rest):
        if checked.source.path.name == "03.yaml":
            raise IndexError("list index out of range")
        return make_release(checked, *rest)

    monkeypatch.chdir(desk)
    monkeypatch.setattr(batch, "make_release", failing)
    code, result = document(capsys, "01.yaml", "02.yaml", "03.yaml", "--out", "other")
    assert (code, [one["ok"] for one in result["releases"]]) == (1, [True, True, False])


def test_a_long_file_in_a_folder_is_not_read_completely(desk):
    with (desk / "notes.yaml").open("wb") as file:
        file.truncate(3 << 30)  # sparse: no room on the disk
    with (desk / "04.yaml").open("wb") as file:
        file.write(b"release:\n")
        file.truncate(3 << 30)
    tracemalloc.start()
    jobs = batch.plan_jobs(batch.manifests_at([desk]))
    _, most_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most_bytes < 100e6
    assert [job.path.name for job in jobs] == ["01.yaml", "02.yaml", "03.yaml", "04.yaml"]
    assert [bool(job.target) for job in jobs] == [True, True, True, False]
    assert jobs[3].findings[0].code == "manifest-too-long"
