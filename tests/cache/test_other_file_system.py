"""Output and cache on different file systems, as with an external disk: files can't be renamed
from one to the other (rename(2), POSIX.1: EXDEV)."""

from __future__ import annotations

import errno
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assembler import AssemblerError, build, load, verify
from assembler.finished.release_folder import read_checksums

pytestmark = pytest.mark.thorough

RATE_HZ = 44100
MEMORY = Path("/dev/shm")
MANIFEST = """\
release: {artist: A, title: B, catalogue_number: TWE-X}
level: {match: track, target: -20}
download: {formats: [flac-24, mp3-320]}
transfers: {side a: {file: side.wav, restoration: {dc: remove, speed: +1 %}}}
tracks:
- {title: One, audio: a.wav}
- {title: Two, audio: b.m4a, gap: 0}
- {title: Three, from: side a, start: 0:01, end: 0:05.5}
"""


@pytest.fixture
def memory_disk(tmp_path: Path) -> Iterator[Path]:
    """A folder on a file system in memory, which is not that of `tmp_path`."""
    if not MEMORY.is_dir() or MEMORY.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip(f"{MEMORY} is not its own file system")
    try:
        folder = Path(tempfile.mkdtemp(dir=MEMORY))
    except OSError as error:
        pytest.skip(f"{MEMORY} can't be written to: {error}")
    yield folder
    shutil.rmtree(folder)


def made_desk(folder: Path) -> Path:
    """Make recordings of three kinds: read directly, decoded first, restored first."""
    from assembler.audio.ffmpeg import run_ffmpeg

    for n, name in enumerate(("a", "b", "side")):
        noise = np.random.default_rng(n).normal(0.01, 0.05, (6 * RATE_HZ, 2))
        soundfile.write(folder / f"{name}.wav", noise, RATE_HZ, subtype="PCM_24")
    run_ffmpeg(["-i", str(folder / "b.wav"), "-c:a", "alac", str(folder / "b.m4a")])
    (folder / "T.yaml").write_text(MANIFEST, encoding="utf-8")
    return folder


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    return made_desk(tmp_path)


@pytest.fixture(scope="module")
def wanted(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Digests of the release with output and cache on one file system."""
    desk = made_desk(tmp_path_factory.mktemp("desk"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ASSEMBLER_STORE", str(desk / "store"))
        return read_checksums(build(load(desk / "T.yaml"), desk / "out").release_dir)


@pytest.mark.parametrize("in_memory", ["the output", "the cache"])
def test_a_release_is_built_across_file_systems(
    desk: Path,
    memory_disk: Path,
    monkeypatch: pytest.MonkeyPatch,
    wanted: dict[str, str],
    in_memory: str,
) -> None:
    other_store, other_out = memory_disk / "store", desk / "other-out"
    if in_memory == "the output":
        other_store, other_out = desk / "other-store", memory_disk / "out"
    monkeypatch.setenv("ASSEMBLER_STORE", str(other_store))
    report = build(load(desk / "T.yaml"), other_out)
    assert read_checksums(report.release_dir) == wanted
    assert verify(report.release_dir).ok
    assert [path.name for path in other_out.iterdir()] == ["TWE-X"]
    assert not list(other_store.glob("??/.*"))

    text = MANIFEST.replace("audio: a.wav", "audio: a.wav, trim: 1")
    (desk / "T.yaml").write_text(text, encoding="utf-8")
    again = build(load(desk / "T.yaml"), other_out)  # over the last one
    assert "disc/TWE-X.wav" in again.made
    assert verify(again.release_dir).ok


def test_a_full_disk_is_named_by_the_file_that_does_not_fit(
    desk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(source: Path, target: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", str(source), None, str(target))

    monkeypatch.setenv("ASSEMBLER_STORE", str(desk / "store"))
    monkeypatch.setattr("assembler.release.tasks.downloads.copy_file", full)
    with pytest.raises(AssemblerError, match="No space left on device") as error:
        build(load(desk / "T.yaml"), desk / "out", only=("download",))
    assert str(error.value).startswith(str(desk / "out"))
    assert not (desk / "out").exists()
