"""Finished releases that several tests read: the demo, and an album of real music."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock
from long_runs import series
from outside import program, real_music

from assembler import build, load
from assembler.manifest import ManifestFile
from assembler.release.build_report import BuildReport

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "manifests" / "songs-for-slack-water.yaml"


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
        return self.report.content["tracks"]


@pytest.fixture(scope="session")
def demo_manifest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's manifest with its sources, which are made if they are not there yet."""
    sources = ROOT / "demo_release" / "sources"
    script = ROOT / "demo_release" / "make_sources.py"
    with FileLock(tmp_path_factory.getbasetemp().parent / "demo-sources.lock"):
        made = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr
    folder = tmp_path_factory.mktemp("demo")
    (folder / "manifests").mkdir()
    (folder / "demo_release").mkdir()
    (folder / "demo_release" / "sources").symlink_to(sources, target_is_directory=True)
    return Path(shutil.copy(DEMO, folder / "manifests"))


@pytest.fixture(scope="session")
def demo(demo_manifest: Path, tmp_path_factory: pytest.TempPathFactory) -> Built:
    """The demo release as its manifest asks for it."""
    source = load(demo_manifest)
    return Built(source, build(source, tmp_path_factory.mktemp("demo-release")))


@pytest.fixture(scope="session")
def demo_at_44100(demo_manifest: Path, tmp_path_factory: pytest.TempPathFactory) -> Built:
    """The demo release with every lossless format at the disc's rate, and every lossy one."""
    text = demo_manifest.read_text(encoding="utf-8").replace(
        "formats: [flac-24, mp3-320]",
        "formats: [flac-24, flac-16, wav-24, wav-16, alac-24, mp3-v0, aac-256, opus-160]\n"
        "  rate: 44100",
    )
    path = demo_manifest.with_name("every-format.yaml")
    path.write_text(text, encoding="utf-8")
    source = load(path)
    return Built(source, build(source, tmp_path_factory.mktemp("every-format"), jobs=2))


@pytest.fixture(scope="session")
def real_album(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """Real music as 24-bit WAV, its levels scattered over 20 dB; 41 minutes where there is time."""
    ffmpeg = program("ffmpeg", "ffmpeg")
    folder = tmp_path_factory.mktemp("real")
    lines = [
        "release: {artist: Halden Ferry Singers, title: Borrowed Tunes, catalogue_number: TWE-R}",
        "level: {match: track, target: -16, ceiling: -1}",
        "download: {formats: [flac-24, mp3-320]}",
        "tracks:",
    ]
    pieces = real_music("singularity-music")[: series(9, 4)]
    for number, piece in enumerate(pieces):
        level_db = -5.0 * ((2 * number) % 5)
        command = [ffmpeg, "-v", "error", "-i", str(piece), "-ac", "2"]
        command += ["-af", f"volume={level_db}dB", "-c:a", "pcm_s24le"]
        subprocess.run([*command, folder / f"{number:02d}.wav"], check=True)
        lines += [f"  - title: Piece {number + 1}", f"    audio: {number:02d}.wav"]
    (folder / "album.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    source = load(folder / "album.yaml")
    return Built(source, build(source, folder / "out"))
