"""Builds that are killed at their steps, and sources that change under a build: the last good
release stays whole, and the next build gives what an undisturbed one gives."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import soundfile
from long_runs import series

from assembler import AssemblerError, build, load
from assembler.digest import file_digest
from assembler.finished.release_folder import read_checksums
from assembler.release.progress import Step

pytestmark = pytest.mark.thorough

RATE_HZ = 44100
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-K}
level: {match: track, target: -18, ceiling: -1}
download: {formats: [flac-24, mp3-320]}
tracks:
- {title: Low Lantern, audio: a.wav, trim: 0}
- {title: Tide Table, audio: b.wav}
"""


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two recordings, a manifest, an empty cache."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))
    folder = tmp_path / "desk"
    folder.mkdir()
    for n, name in enumerate("ab"):
        noise = np.random.default_rng(n).normal(0, 0.1, (4 * RATE_HZ, 2))
        soundfile.write(folder / f"{name}.wav", noise, RATE_HZ, subtype="PCM_24")
    (folder / "T.yaml").write_text(MANIFEST, encoding="utf-8")
    return folder


def is_whole(release: Path) -> bool:
    """Check whether every file of a release has the digest in its list."""
    return all(file_digest(release / name) == d for name, d in read_checksums(release).items())


def undisturbed(desk: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """Build elsewhere with another cache; return the digests."""
    with monkeypatch.context() as patch:
        patch.setenv("ASSEMBLER_STORE", str(desk.parent / "other-store"))
        return read_checksums(build(load(desk / "T.yaml"), desk.parent / "apart").release_dir)


KILLED_AT = """
import os, signal, sys
from pathlib import Path
from assembler import build, load

at, renames = int(sys.argv[1]), os.rename

def kill():
    os.kill(os.getpid(), signal.SIGKILL)

def count(_step):
    global at
    at -= 1
    if at == 0:
        kill()

def rename_and_die(source, target, **how):
    renames(source, target, **how)
    if Path(source).name == "TWE-K":
        kill()

if at == 0:
    os.rename = rename_and_die
build(load(Path("T.yaml")), Path("out"), jobs=2, progress=count)
"""
"""A build that kills itself at a step; at step 0, when the last release has just made way."""


def killed_at(desk: Path, step: int) -> None:
    """Build, up to a step."""
    command = [sys.executable, "-c", KILLED_AT, str(step)]
    done = subprocess.run(command, cwd=desk, capture_output=True, check=False)
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()


def killed_by_chance(desk: Path, within_s: float) -> None:
    """Begin a build and kill it within a time, if it is not done before."""
    command = [sys.executable, "-m", "assembler", "build", "T.yaml", "--out", "out"]
    process = subprocess.Popen(command, cwd=desk, stdout=subprocess.DEVNULL)
    try:
        process.wait(timeout=within_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def test_a_build_that_is_killed_leaves_the_last_release_whole(
    desk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At steps from the first to the last, and in the middle of the exchange of the releases.

    A long run has one kill as each task of the graph begins or ends.
    """
    wanted = undisturbed(desk, monkeypatch)
    steps: list[Step] = []
    begun = time.monotonic()
    build(load(desk / "T.yaml"), desk / "out", jobs=2, progress=steps.append)
    whole_s = time.monotonic() - begun
    places = np.linspace(1, len(steps), series(len(steps), 5)).round().astype(int)
    chance = np.random.default_rng(6).uniform(0, whole_s, series(30, 0))
    kills: list[Callable[[], None]] = [partial(killed_at, desk, int(n)) for n in (*places, 0)]
    kills += [partial(killed_by_chance, desk, within_s) for within_s in chance]
    release = desk / "out" / "TWE-K"
    for n, kill in enumerate(kills, 1):
        text = MANIFEST.replace("trim: 0", f"trim: {0.01 * n:.2f}")
        (desk / "T.yaml").write_text(text, encoding="utf-8")
        kill()
        # between the two steps of the exchange the last release stands in the working folder
        kept = release if release.exists() else next((desk / "out").glob(".*/last"))
        assert is_whole(kept)
    (desk / "T.yaml").write_text(MANIFEST, encoding="utf-8")
    report = build(load(desk / "T.yaml"), desk / "out")
    assert read_checksums(report.release_dir) == wanted
    assert is_whole(report.release_dir)
    assert [path.name for path in (desk / "out").iterdir()] == ["TWE-K"]
    assert not list((desk.parent / "store").glob("??/.*"))


def removed(path: Path) -> None:
    path.unlink()


def replaced(path: Path) -> None:
    noise = np.random.default_rng(9).normal(0, 0.1, (4 * RATE_HZ, 2))
    soundfile.write(path.with_name("new.wav"), noise, RATE_HZ, subtype="PCM_24")
    path.with_name("new.wav").replace(path)


def truncated(path: Path) -> None:
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 3)


@pytest.mark.parametrize("change", [removed, replaced, truncated])
def test_a_source_that_changes_during_the_build_stops_it(
    desk: Path, change: Callable[[Path], None]
) -> None:
    good = read_checksums(build(load(desk / "T.yaml"), desk / "out").release_dir)
    text = MANIFEST.replace("trim: 0", "trim: 1").replace("-18", "-17")
    (desk / "T.yaml").write_text(text, encoding="utf-8")
    done = threading.Event()

    def watch(step: Step) -> None:
        if step.moment == "begun" and not done.is_set():
            done.set()
            change(desk / "b.wav")

    with pytest.raises(AssemblerError, match=r"b\.wav"):
        build(load(desk / "T.yaml"), desk / "out", progress=watch)
    assert done.is_set()
    release = desk / "out" / "TWE-K"
    assert read_checksums(release) == good
    assert is_whole(release)
    assert [path.name for path in (desk / "out").iterdir()] == ["TWE-K"]


def test_the_same_bytes_in_other_folders_jobs_locale_and_time_zone(desk: Path) -> None:
    checksums = []
    for n, (jobs, locale, zone) in enumerate(
        (("1", "C", "UTC"), ("8", "C.UTF-8", "Pacific/Chatham"))
    ):
        folder = desk.parent / f"place {n}"
        folder.mkdir()
        for path in desk.iterdir():
            (folder / path.name).write_bytes(path.read_bytes())
        own = {"LC_ALL": locale, "TZ": zone, "ASSEMBLER_STORE": str(folder / "store")}
        command = [sys.executable, "-m", "assembler", "build", "T.yaml", "--out", "out", "--zip"]
        subprocess.run(
            [*command, "--jobs", jobs], cwd=folder, check=True, capture_output=True,
            env={**os.environ, **own},
        )  # fmt: skip
        checksums.append(read_checksums(folder / "out" / "TWE-K"))
    assert len(checksums[0]) > 20
    assert checksums[0] == checksums[1]


def test_the_second_of_two_builds_at_once_is_refused(desk: Path) -> None:
    command = [sys.executable, "-m", "assembler", "build", "T.yaml", "--out", "out"]
    both = [
        subprocess.Popen(
            command, cwd=desk, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        for _ in range(2)
    ]
    errors = [process.communicate(timeout=120)[1] for process in both]
    codes = [process.returncode for process in both]
    assert 0 in codes
    if 1 in codes:
        assert "another build of this release is running" in errors[codes.index(1)]
    assert is_whole(desk / "out" / "TWE-K")
