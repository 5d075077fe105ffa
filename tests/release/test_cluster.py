"""Releases built by the worker processes of a Dask cluster: the same as on one machine."""

from __future__ import annotations

import json
import os
import pickle
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import assembler
from assembler.commands.main import main
from assembler.errors import FindingsError
from assembler.finished.output_lock import lock_path
from assembler.finished.release_folder import read_checksums
from assembler.release import cluster

distributed = pytest.importorskip("distributed", reason="dask.distributed is not installed")
RATE_HZ = 44100
LASTING = Path(__file__).parent
"""A worker that is started in place of a killed one begins in the folder of this process."""
MANIFEST = """\
release: {{artist: Halden Ferry Singers, title: Slack Water {n}, catalogue_number: TWE-{n:02d}}}
download: {{formats: [flac-16, mp3-320]}}
tracks:
- {{title: Low Lantern, audio: {n}.wav}}
- {{title: Tide Table, audio: {n}.wav, start: 1}}
"""


def manifest(folder: Path, n: int, seconds: int = 5) -> Path:
    """Write a manifest and its recording: its own noise."""
    noise = np.random.default_rng(n).normal(0, 0.1, (seconds * RATE_HZ, 2))
    soundfile.write(folder / f"{n}.wav", noise, RATE_HZ)
    path = folder / f"{n:02d}.yaml"
    path.write_text(MANIFEST.format(n=n), encoding="utf-8")
    return path


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Three manifests with their recordings."""
    monkeypatch.chdir(tmp_path)
    for n in (1, 2, 3):
        manifest(tmp_path, n)
    return tmp_path


@pytest.fixture(scope="module")
def workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Two worker processes with a cache of their own, and their scheduler."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ASSEMBLER_STORE", str(tmp_path_factory.mktemp("their-store")))
        started = distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address=":0",
            local_directory=str(tmp_path_factory.mktemp("scratch")),
            silence_logs=True,
        )
    with started:
        yield started


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict]:
    """Build with --json; return the exit code and the document: nothing else is printed."""
    capsys.readouterr()
    code = main(["build", *arguments, "--json"])
    out, err = capsys.readouterr()
    assert err == ""
    return code, json.loads(out)


IMPATIENT = """\
import sys
from assembler.entry import run
from assembler.release import cluster
cluster._ANSWER_S = 1
sys.exit(run())
"""


def begun(
    desk: Path, address: str, *manifests: str, program: tuple[str, ...] = ("-m", "assembler")
) -> subprocess.Popen[str]:
    """Start a build on the cluster in a process of its own."""
    command = [sys.executable, *program, "build", *manifests, "--out", "out"]
    return subprocess.Popen(
        [*command, "--scheduler", address],
        cwd=desk,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for_encoding(process: subprocess.Popen[str], desk: Path, number: int) -> None:
    """Wait until a worker is in the middle of a release."""
    while not any((desk / "out").glob(f".TWE-{number:02d}.*/release/download/*")):
        assert process.poll() is None, process.communicate()
        time.sleep(0.01)


def kill_the_builder(release: Path) -> None:
    """Kill the process that holds a release's lock (Linux: proc_locks(5))."""
    inode = lock_path(release).stat().st_ino
    locks = [line.split() for line in Path("/proc/locks").read_text().splitlines()]
    (pid,) = {int(one[4]) for one in locks if one[1] == "FLOCK" and one[5].endswith(f":{inode}")}
    os.kill(pid, signal.SIGKILL)
    assert not release.exists()


@pytest.mark.thorough
def test_the_same_releases_as_on_one_machine(desk, workers, capsys, monkeypatch):
    (desk / "broken.yaml").write_text("release: {artist: [}\ntracks: []\n")
    manifests = [str(desk / name) for name in ("01.yaml", "02.yaml", "broken.yaml", "03.yaml")]
    code, there = document(
        capsys, *manifests, "--out", "there", "--scheduler", workers.scheduler_address
    )
    assert code == 1
    assert [one["ok"] for one in there["releases"]] == [True, True, False, True]
    monkeypatch.setenv("ASSEMBLER_STORE", str(desk / "store"))
    code, here = document(capsys, *manifests, "--out", str(desk / "here"))
    assert code == 1
    for one, other in zip(there["releases"], here["releases"], strict=True):
        folders = one.pop("release_dir"), other.pop("release_dir")
        assert one == other
        if folders[0]:
            assert Path(folders[0]).is_relative_to(desk / "there")
            assert read_checksums(Path(folders[0])) == read_checksums(Path(folders[1]))


@pytest.mark.thorough
def test_findings_that_only_a_build_makes_and_the_table(desk, workers, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    samples, _ = soundfile.read("1.wav")
    samples[RATE_HZ] = np.nan
    soundfile.write("1.wav", samples, RATE_HZ, subtype="FLOAT")
    arguments = ["--out", "out", "--only", "paper,download"]
    code = main(
        ["build", "01.yaml", "02.yaml", *arguments, "--scheduler", workers.scheduler_address]
    )
    out, err = capsys.readouterr()
    assert (code, err) == (1, "")
    assert "not-a-number" in out or "not a number" in out
    assert "1 of 2 releases made" in out
    assert [path.name for path in (desk / "out").iterdir()] == ["TWE-02"]
    code = main(["build", "01.yaml", *arguments, "--scheduler", workers.scheduler_address])
    assert (code, capsys.readouterr().err) == (1, "")


def test_an_error_with_findings_is_sent_whole():
    with pytest.raises(FindingsError) as caught:
        assembler.load(Path("nowhere.yaml"))
    received = pickle.loads(pickle.dumps(caught.value))
    assert received.findings == caught.value.findings != ()
    assert str(received) == str(caught.value) == str(received.findings[0])


@pytest.mark.thorough
def test_a_worker_that_is_killed_in_the_middle(desk, workers, capsys, monkeypatch):
    monkeypatch.chdir(LASTING)
    manifest(desk, 4, seconds=40)
    process = begun(desk, workers.scheduler_address, "04.yaml")
    wait_for_encoding(process, desk, 4)
    kill_the_builder(desk / "out" / "TWE-04")
    out, err = process.communicate(timeout=600)
    assert (process.returncode, err) == (0, ""), out
    assert [path.name for path in (desk / "out").iterdir()] == ["TWE-04"]
    monkeypatch.setenv("ASSEMBLER_STORE", str(desk / "store"))
    code, alone = document(capsys, str(desk / "04.yaml"), "--out", str(desk / "alone"))
    assert code == 0
    assert read_checksums(Path(alone["release_dir"])) == read_checksums(desk / "out" / "TWE-04")


@pytest.mark.thorough
def test_a_release_whose_workers_all_die_is_one_line_and_stops_no_other(desk, workers, monkeypatch):
    monkeypatch.chdir(LASTING)
    manifest(desk, 5, seconds=40)
    workers.scheduler.allowed_failures, before = 0, workers.scheduler.allowed_failures
    try:
        process = begun(desk, workers.scheduler_address, "05.yaml", "02.yaml")
        wait_for_encoding(process, desk, 5)
        kill_the_builder(desk / "out" / "TWE-05")
        out, err = process.communicate(timeout=600)
    finally:
        workers.scheduler.allowed_failures = before
    assert (process.returncode, err) == (1, "")
    assert "05.yaml: workers that died while they built it: 1;" in " ".join(out.split())
    assert "1 of 2 releases made" in out
    assert (desk / "out" / "TWE-02").is_dir()


@pytest.mark.thorough
def test_ctrl_c_cancels_what_is_not_finished(desk, workers):
    manifest(desk, 6, seconds=120)
    process = begun(desk, workers.scheduler_address, "06.yaml")
    wait_for_encoding(process, desk, 6)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=600)
    assert (process.returncode, out) == (1, "")
    assert err == "stopped: the last finished release is unchanged\n"
    for _ in range(6000):
        if not any((desk / "out").glob(".*")):
            break
        time.sleep(0.01)
    assert not (desk / "out").exists() or not list((desk / "out").iterdir())


NO_ANSWER = (
    "{}: no Dask scheduler answers: check the address, and that `dask scheduler` runs there\n"
)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense://x", "no-port"])
def test_no_scheduler_at_the_address(desk, capsys, monkeypatch, address):
    monkeypatch.setattr(cluster, "_ANSWER_S", 1)
    assert main(["build", "01.yaml", "02.yaml", "--scheduler", address]) == 1
    assert capsys.readouterr() == ("", NO_ANSWER.format(address))
    assert not (desk / "releases").exists()


@pytest.mark.thorough
def test_something_else_accepts_the_connection(desk):
    with socket.create_server(("127.0.0.1", 0)) as mute:
        address = f"tcp://127.0.0.1:{mute.getsockname()[1]}"
        process = begun(desk, address, "01.yaml", program=("-c", IMPATIENT))
        assert process.communicate(timeout=600) == ("", NO_ANSWER.format(address))
    assert process.returncode == 1


@pytest.mark.thorough
@pytest.mark.usefixtures("desk")
def test_no_worker(capsys, monkeypatch):
    monkeypatch.setattr(cluster, "_NO_WORKER_S", 0.5)
    with distributed.LocalCluster(
        n_workers=0, dashboard_address=":0", silence_logs=True
    ) as without_workers:
        code, made = document(
            capsys, "01.yaml", "02.yaml", "--scheduler", without_workers.scheduler_address
        )
    assert (code, [one["ok"] for one in made["releases"]]) == (1, [False, False])
    for one in made["releases"]:
        assert "no worker is connected" in one["findings"][0]["message"]


@pytest.mark.thorough
def test_workers_of_another_version_are_refused(desk, workers, capsys, monkeypatch):
    monkeypatch.setattr(assembler, "__version__", "9.9")
    assert main(["build", "01.yaml", "--scheduler", workers.scheduler_address]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("worker tcp://")
    assert "it has assembler 0.1.0, this machine 9.9: install the same versions" in err
    assert err.count("\n") == 1
    assert not (desk / "releases").exists()


@pytest.mark.usefixtures("desk")
def test_without_dask(capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["build", "01.yaml", "--scheduler", "tcp://127.0.0.1:8786"]) == 1
    assert capsys.readouterr().err == (
        "--scheduler needs Dask: install it with `pip install 'assembler[cluster]'`\n"
    )
