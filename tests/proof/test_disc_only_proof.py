"""The proof of a release that is a disc alone: every track can be played from it."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest
import soundfile

from assembler import build, load, verify

RATE_HZ = 44100


@pytest.mark.thorough
def test_every_track_can_be_played(tmp_path: Path) -> None:
    for number, hz in enumerate((330, 550), 1):
        tone = 0.2 * np.sin(2 * np.pi * hz * np.arange(6 * RATE_HZ) / RATE_HZ)
        soundfile.write(tmp_path / f"{number}.wav", tone, RATE_HZ, subtype="PCM_24")
    (tmp_path / "T.yaml").write_text(
        "release: {artist: A, title: B, catalogue_number: T}\nlevel: {match: none}\n"
        "tracks: [{title: One, audio: 1.wav}, {title: Two, audio: 2.wav}]\n",
        encoding="utf-8",
    )
    report = build(load(tmp_path / "T.yaml"), tmp_path / "out", only=("disc", "proof"))
    page = report.release_dir / "proof" / "index.html"
    links = re.findall(r'<a class="play" href="([^"]+)" data-track', page.read_text("utf-8"))
    assert len(links) == 2
    for link, hz in zip(links, (330, 550), strict=True):
        samples, rate_hz = soundfile.read(page.parent / unquote(link))
        assert len(samples) / rate_hz == pytest.approx(6, abs=2.2)  # the gap belongs to its file
        spectrum = np.abs(np.fft.rfft(samples[RATE_HZ : 2 * RATE_HZ, 0]))
        assert int(spectrum.argmax()) == hz
    assert verify(report.release_dir).ok
