"""The demo's recordings and its finished release: made once a run, whatever process asks first."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

from assembler import build, load
from assembler.manifest import ManifestFile
from assembler.release.build_report import BuildReport

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "manifests" / "songs-for-slack-water.yaml"
SECOND_FORMATS = "[flac-24, flac-16, wav-24, wav-16, alac-24, mp3-vbr, aac-256, opus-160]"


@dataclass(frozen=True)
class Built:
    """A manifest and the release that was built from it."""

    source: ManifestFile
    report: BuildReport

    @property
    def folder(self) -> Path:
        return self.report.release_dir

    @property
    def tracks(self) -> list[dict[str, Any]]:
        return self.report.as_json()["tracks"]


@pytest.fixture(scope="session")
def shared_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that all worker processes of this run have in common."""
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "shared"
    folder.mkdir(exist_ok=True)
    return folder


def made_sources(*names: str) -> Path:
    """Make the demo's recordings that are not there yet, all or some; return their folder."""
    sources = ROOT / "demo_release" / "sources"
    sources.mkdir(exist_ok=True)
    command = [sys.executable, ROOT / "demo_release" / "make_sources.py", *names]
    with FileLock(sources / ".lock"):
        made = subprocess.run(command, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr
    return sources


@pytest.fixture(scope="session")
def demo_sources() -> Path:
    """Return the folder of the demo's recordings."""
    return made_sources()


@pytest.fixture(scope="session")
def net_loft_files() -> tuple[Path, Path]:
    """Return left and right of the demo's tape side."""
    left, right = "net-loft-L.wav", "net-loft-R.wav"
    sources = made_sources(left, right)
    return sources / left, sources / right


@contextmanager
def one_at_a_time(folder: Path) -> Iterator[None]:
    """Let one process build here, with a store that they share: the next finds all unchanged."""
    with FileLock(folder / ".lock"), pytest.MonkeyPatch.context() as patch:
        patch.setenv("ASSEMBLER_STORE", str(folder / "store"))
        yield


@pytest.fixture(scope="session")
def demo_manifest(demo_sources: Path, shared_folder: Path) -> Path:
    """Return a copy of the demo's manifest, its sources beside it."""
    with one_at_a_time(shared_folder):
        path = shared_folder / "manifests" / DEMO.name
        if not path.is_file():
            (shared_folder / "demo_release").mkdir()
            (shared_folder / "demo_release" / "sources").symlink_to(
                demo_sources, target_is_directory=True
            )
            path.parent.mkdir()
            shutil.copy(DEMO, path)
    return path


@pytest.fixture(scope="session")
def demo(demo_manifest: Path, shared_folder: Path) -> Built:
    """Return the demo release as its manifest asks for it."""
    with one_at_a_time(shared_folder):
        source = load(demo_manifest)
        return Built(source, build(source, shared_folder / "demo"))


@pytest.fixture(scope="session")
def segue_at_44100(demo_manifest: Path, shared_folder: Path) -> Built:
    """Return 20 s of each track of the demo's segue, in every format, lossless ones at 44.1 kHz."""
    head, *tracks = demo_manifest.read_text(encoding="utf-8").split("  - title: ")
    tracks[-1], _, text = tracks[-1].partition("\ncredits:")
    head = head.replace("[flac-24, mp3-320]", f"{SECOND_FORMATS}\n  rate: 44100")
    notes = text.partition("\ntext:")[2]
    kept = "".join(f"  - title: {track}" for track in tracks[3:5]).replace("    gap: 3\n", "")
    kept = kept.replace("start: 3\n", "start: 0:47\n").replace("end: 2:22.5\n", "end: 1:27\n")
    path = demo_manifest.with_name("segue-at-44100.yaml")
    with one_at_a_time(shared_folder):
        path.write_text(f"{head}{kept}\ntext:{notes}", encoding="utf-8")
        source = load(path)
        return Built(source, build(source, shared_folder / "segue"))
