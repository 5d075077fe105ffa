"""Artwork of a release whose disc lacks a track: durations from the sources, and from its build."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from desk import Desk

from assembler import build
from assembler.artwork.check import check_artwork
from assembler.manifest import load

pytestmark = pytest.mark.usefixtures("in_this_process")
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: TWE-014}
level: {match: none}
download: {formats: [flac-16]}
sleeve: {package: jewel_case}
tracks:
- {title: Low Lantern, audio: 1.wav, composers: [Ines Falk]}
- {title: Tide Table, audio: 2.wav, on: [download], recorded: 1994}
- {title: Ropewalk Round, audio: 3.wav, recorded: 1994}
"""


@pytest.fixture(scope="module")
def first_desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three recordings, and the paper of their release."""
    desk = Desk(tmp_path_factory.mktemp("editions"), None)  # type: ignore[arg-type]
    rng = np.random.default_rng(20)
    for number, seconds in enumerate((5, 9, 7), 1):
        desk.sound(f"{number}.wav", rng.normal(0, 0.05, (seconds * 44100, 2)))
    build(load(desk.write(MANIFEST)), desk.folder / "releases", only=["paper"])
    return desk.folder


@pytest.mark.parametrize("durations", ["the sources", "the last build", ""])
def test_the_templates_have_no_error(first_desk: Path, tmp_path: Path, durations: str) -> None:
    folder = shutil.copytree(first_desk, tmp_path / "desk")
    release = folder / "releases" / "TWE-014"
    templates = sorted((release / "paper" / "templates").iterdir())
    if durations != "the sources":
        for path in folder.glob("*.wav"):
            path.unlink()
    if not durations:
        (release / "report.json").unlink()
    report = check_artwork(load(folder / "songs.yaml"), templates)
    assert report.durations == durations
    assert report.ok, report.findings
    wrong = {"duration-differs", "text-differs", "text-missing", "track-number", "running-order"}
    assert not wrong & {found.code for found in report.findings}, report.findings
