"""The invented album, and twelve seconds of real music at two rates."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from download.album import MANIFEST, Album, Words
from outside import program, real_music

from assembler.manifest import load
from assembler.sequence import TrackSound, lay_out
from assembler.words import track_words

SECONDS = 12


@pytest.fixture
def album_of(tmp_path: Path) -> Callable[[str], Album]:
    """Read a manifest's text; its tracks last 3 min 25.4 s each."""

    def read(text: str) -> Album:
        path = tmp_path / "songs.yaml"
        path.write_text(text, encoding="utf-8")
        source = load(path)
        sounds = [
            TrackSound(round(205.4 * 44100), Fraction(2), track.disc)
            for track in source.manifest.tracks
        ]
        return Album(source, track_words(source.manifest, lay_out(sounds)))

    return read


@pytest.fixture
def album(album_of: Callable[[str], Album]) -> Album:
    """The album as it is."""
    return album_of(MANIFEST)


@pytest.fixture(scope="session")
def music() -> dict[int, Words]:
    """Real music as 24-bit words, shape (frames, 2), by its rate."""
    ffmpeg = program("ffmpeg", "ffmpeg")
    piece = real_music("singularity-music")[0]
    words = {}
    for rate_hz in (44100, 48000):
        command = [ffmpeg, "-v", "error", "-ss", "30", "-t", str(SECONDS), "-i", str(piece)]
        command += ["-ac", "2", "-ar", str(rate_hz), "-f", "s32le", "-"]
        done = subprocess.run(command, capture_output=True, check=True)
        samples = np.frombuffer(done.stdout, "<i4").reshape(-1, 2)[: SECONDS * rate_hz]
        words[rate_hz] = samples >> 8
    return words
