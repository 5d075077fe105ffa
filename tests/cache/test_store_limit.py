"""The limit of the cache: what was used longest ago goes first, and nothing that is in use."""

from __future__ import annotations

import json
import multiprocessing
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assembler import AssemblerError, build, load, verify
from assembler.cache.folder import CHECKSUM_SUFFIX, CacheFolder, cache_key
from assembler.cache.limit import limit_bytes, opened_cache
from assembler.commands.main import main
from assembler.finished.release_folder import read_checksums

RATE_HZ = 8000
SIZE = 1000


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of an empty cache that keeps at most 10 kB."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))
    monkeypatch.setenv("ASSEMBLER_STORE_LIMIT", str(10 * SIZE / 1e9))
    return tmp_path / "store"


def key(n: int) -> str:
    return cache_key("test", n)


def entry(cache: CacheFolder, n: int, *, age_s: float = 0) -> None:
    """Make an entry, or use it, as that long ago."""
    path = cache.file(key(n), lambda part: part.write_bytes(bytes(SIZE)) and None)
    if age_s:
        then = time.time() - age_s
        os.utime(path.with_suffix(CHECKSUM_SUFFIX), (then, then))


def held(folder: Path) -> list[int]:
    return [n for n in range(30) if CacheFolder(folder).has(key(n))]


def test_what_was_used_longest_ago_goes_first(folder):
    for n in range(20):
        entry(CacheFolder(folder), n, age_s=1000 - 10 * ((7 * n) % 20))
    with opened_cache():
        pass
    newest_first = sorted(range(20), key=lambda n: -((7 * n) % 20))
    size = CacheFolder(folder).size()
    assert size.size_bytes <= 10 * SIZE < size.size_bytes * (size.entries + 1) / size.entries
    assert held(folder) == sorted(newest_first[: size.entries])
    assert len(list(folder.glob("??/*"))) == 2 * size.entries  # no checksum without its entry


def test_using_an_entry_keeps_it(folder):
    for n in range(20):
        entry(CacheFolder(folder), n, age_s=1000 - n)
    with opened_cache() as cache:
        assert cache is not None
        entry(cache, 0)  # the oldest, used by this build
        assert cache.has(key(1))
    assert {0, 1} <= set(held(folder))
    assert 2 not in held(folder)


def test_what_the_running_build_uses_stays_however_much_it_is(folder):
    with opened_cache() as cache:
        assert cache is not None
        for n in range(20):
            entry(cache, n)
    assert held(folder) == list(range(20))
    with opened_cache():
        pass
    assert CacheFolder(folder).size().size_bytes <= 10 * SIZE


def _other_build(folder: str, is_in, may_go) -> None:
    os.environ["ASSEMBLER_STORE"] = folder
    with opened_cache() as cache:
        assert cache is not None
        making = cache.folder / "00" / ".making-now"
        making.mkdir(parents=True, exist_ok=True)
        is_in.set()
        may_go.wait(60)
        making.rmdir()


@pytest.mark.thorough
def test_nothing_is_cut_or_cleared_while_another_build_is_at_work(folder):
    for n in range(20):
        entry(CacheFolder(folder), n, age_s=1000 - n)
    processes = multiprocessing.get_context("spawn")
    is_in, may_go = processes.Event(), processes.Event()
    other = processes.Process(target=_other_build, args=(str(folder), is_in, may_go))
    other.start()
    assert is_in.wait(60)
    with opened_cache():
        assert (folder / "00" / ".making-now").is_dir()
    assert CacheFolder(folder).size().entries == 20
    may_go.set()
    other.join(60)
    assert other.exitcode == 0
    assert CacheFolder(folder).size().size_bytes <= 10 * SIZE  # the last to go cuts back
    assert not list((folder / ".users").iterdir())


def test_a_cache_that_a_build_uses_is_not_cleared(folder, capsys):
    entry(CacheFolder(folder), 1)
    (folder / "not ours").mkdir(parents=True)
    with opened_cache() as cache:
        assert cache is not None
        assert main(["store", "--clear"]) == 1
        assert "a build is using it: wait until it ends" in capsys.readouterr().err
        assert cache.has(key(1))
        entry(cache, 2)
    assert main(["store", "--clear", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["entries"] == 2
    assert [path.name for path in folder.iterdir()] == ["not ours"]
    assert main(["store", "--clear"]) == 0


@pytest.mark.thorough
def test_a_killed_build_does_not_lock_the_cache(folder):
    for n in range(20):
        entry(CacheFolder(folder), n, age_s=1000 - n)
    processes = multiprocessing.get_context("spawn")
    is_in, may_go = processes.Event(), processes.Event()
    other = processes.Process(target=_other_build, args=(str(folder), is_in, may_go))
    other.start()
    assert is_in.wait(60)
    other.kill()
    other.join(60)
    assert (folder / "00" / ".making-now").is_dir()
    with opened_cache():
        assert not (folder / "00" / ".making-now").exists()
    assert CacheFolder(folder).size().size_bytes <= 10 * SIZE


@pytest.mark.parametrize("limit", ["twenty", "-1", "nan", "inf"])
@pytest.mark.usefixtures("folder")
def test_a_limit_that_is_not_a_number_is_refused(monkeypatch, capsys, limit):
    monkeypatch.setenv("ASSEMBLER_STORE_LIMIT", limit)
    with pytest.raises(AssemblerError, match="ASSEMBLER_STORE_LIMIT"):
        limit_bytes()
    assert main(["store"]) == 1
    message = f"ASSEMBLER_STORE_LIMIT: must be a number of GB, not `{limit}`"
    assert capsys.readouterr().err.splitlines() == [message]


@pytest.mark.usefixtures("folder")
def test_the_limit_is_20_gb_or_the_setting(monkeypatch, capsys):
    monkeypatch.setenv("ASSEMBLER_STORE_LIMIT", "2.5")
    assert main(["store"]) == 0
    assert "limit 2.5 GB" in capsys.readouterr().out
    monkeypatch.delenv("ASSEMBLER_STORE_LIMIT")
    assert main(["store", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["limit_bytes"] == 20_000_000_000


def test_builds_with_a_bound_of_nothing_give_the_same_release(tmp_path, folder, monkeypatch):
    for name in "ab":
        tone = 0.2 * np.sin(np.arange(5 * RATE_HZ) * (0.2 if name == "a" else 0.3))
        soundfile.write(tmp_path / f"{name}.wav", tone, RATE_HZ)
        (tmp_path / f"{name}.yaml").write_text(
            f"release: {{artist: A, title: {name}}}\ndownload: {{formats: [flac-16]}}\n"
            f"tracks: [{{title: One, audio: {name}.wav}}]\n"
        )
    monkeypatch.setenv("ASSEMBLER_STORE_LIMIT", "0")
    first = build(load(tmp_path / "a.yaml"), tmp_path / "out")
    digests = read_checksums(first.release_dir)
    of_first = {path for _, _, path in CacheFolder(folder).entries()}
    build(load(tmp_path / "b.yaml"), tmp_path / "out")
    assert of_first
    assert not of_first & {path for _, _, path in CacheFolder(folder).entries()}
    assert verify(first.release_dir).ok  # its files are its own
    (first.release_dir / "report.json").touch()
    again = build(load(tmp_path / "a.yaml"), tmp_path / "out")
    assert read_checksums(again.release_dir) == digests


def test_two_machines_share_a_cache_and_have_processes_of_the_same_number(tmp_path):
    program = (
        "import os; os.getpid = lambda: 1\n"
        "from assembler.cache.limit import opened_cache\n"
        "with opened_cache() as cache: print(cache is not None, flush=True); input()\n"
    )
    both = [
        subprocess.Popen(
            [sys.executable, "-c", program],
            env={**os.environ, "ASSEMBLER_STORE": str(tmp_path)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    assert [one.stdout.readline() for one in both] == ["True\n", "True\n"]
    assert len(list((tmp_path / ".users").iterdir())) == 2
    for one in both:
        one.communicate("\n")
        assert one.returncode == 0
