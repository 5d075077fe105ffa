"""A small finished release with its proof, and a browser to open it in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Browser
from proof.browsing import Opened, open_page
from proof.finished_proof import HOSTILE, finished_proof

from assembler import build, load
from assembler.proof.content import Proof
from assembler.proof.mail import write_pictures
from assembler.proof.page import write_page

_MANIFEST = f"""
release: {{artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: TWE-016}}
level: {{match: track, target: -16, ceiling: -1}}
disc: {{pregap_audio: 0.wav, tail: 2}}
download: {{formats: [flac-24, mp3-320]}}
tracks:
  - {{title: "100% Tide #1?", audio: 1.wav, indexes: [3, 5]}}
  - {{title: Undertow, audio: 2.wav, gap: 0, isrc: AA-6Q7-27-00002}}
  - {{title: "{HOSTILE}", audio: 3.wav, overlap: 2.5}}
  - {{title: Bell Buoy, audio: 4.wav, gap: 3}}
credits:
  - {{name: "{HOSTILE}", roles: ["{HOSTILE}"]}}
"""


@pytest.fixture(scope="session")
def small_release(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a release of noise: hidden sound, index points, segue, overlap and gap."""
    folder = tmp_path_factory.mktemp("small")
    random = np.random.default_rng(16)
    for number in range(5):
        loud = np.interp(np.arange(12 * 44100), [0, 3e5, 5.3e5], [0.02, 0.3, 0.05])
        noise = random.normal(0, 0.3, (12 * 44100, 2)) * loud[:, None]
        soundfile.write(folder / f"{number}.wav", noise, 44100, subtype="PCM_24")
    (folder / "small.yaml").write_text(_MANIFEST, encoding="utf-8")
    return build(load(folder / "small.yaml"), folder / "out", jobs=2).release_dir


@pytest.fixture(scope="session")
def small_proof(small_release: Path) -> Proof:
    """Its proof, written where it belongs."""
    proof = finished_proof(small_release)
    write_page(small_release / "proof", proof)
    write_pictures(small_release / "proof", proof)
    return proof


@pytest.fixture
def opened(browser: Browser, small_release: Path, small_proof: Proof) -> Iterator[Opened]:
    """The small release's proof in a browser."""
    assert small_proof.has_clips
    with open_page(browser, small_release / "proof" / "index.html") as page:
        yield page
