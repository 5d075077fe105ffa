"""The invented album, and twelve seconds of music at two rates."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from download.album import MANIFEST, Album, Pcm
from made_music import made_music

from assembler.manifest import load
from assembler.metadata import track_metadata
from assembler.sequence import TrackSound, lay_out

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
        return Album(source, track_metadata(source.manifest, lay_out(sounds)))

    return read


@pytest.fixture
def album(album_of: Callable[[str], Album]) -> Album:
    """The album as it is."""
    return album_of(MANIFEST)


@pytest.fixture(scope="session")
def music() -> dict[int, Pcm]:
    """Plucked and bowed strings as 24-bit PCM, shape (frames, 2), by their rate."""

    def pcm(rate_hz: int) -> Pcm:
        both = made_music("plucked", SECONDS, rate_hz) + made_music("strings", SECONDS, rate_hz)
        return np.rint(both * float(1 << 22)).astype(np.int32)

    return {rate_hz: pcm(rate_hz) for rate_hz in (44100, 48000)}
