"""Artwork of a release whose disc lacks a track: durations from the sources, and from its build."""

from __future__ import annotations

import numpy as np
import pytest
from desk import Desk

from assembler.artwork.check import check_artwork
from assembler.manifest import load

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


@pytest.mark.parametrize("durations", ["the sources", "the last build", ""])
def test_the_templates_have_no_error(desk: Desk, durations: str) -> None:
    rng = np.random.default_rng(20)
    for number, seconds in enumerate((5, 9, 7), 1):
        desk.sound(f"{number}.wav", rng.normal(0, 0.05, (seconds * 44100, 2)))
    source = load(desk.write(MANIFEST))
    code, _ = desk.json("build", source.path, "--only", "paper")
    assert code == 0
    release = desk.folder / "releases" / "TWE-014"
    templates = sorted((release / "paper" / "templates").iterdir())
    if durations != "the sources":
        for path in desk.folder.glob("*.wav"):
            path.unlink()
    if not durations:
        (release / "report.json").unlink()
    report = check_artwork(source, templates)
    assert report.durations == durations
    assert report.ok, report.findings
    wrong = {"duration-differs", "text-differs", "text-missing", "track-number", "running-order"}
    assert not wrong & {found.code for found in report.findings}, report.findings
