"""A credits sheet from a manifest's text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from tempfile import mkdtemp

import pytest
from sheets.made_sheet import Made

from assembler.manifest import load
from assembler.metadata import track_metadata
from assembler.sequence import TrackSound, lay_out
from assembler.sheets.credits_sheet import write_credits_sheet

RATE_HZ = 44100


@pytest.fixture
def made(tmp_path: Path) -> Callable[..., Made]:
    """Make a credits sheet from a manifest's text and its tracks' lengths in seconds."""

    def make(yaml_text: str, seconds: Sequence[float] = ()) -> Made:
        home = Path(mkdtemp(dir=tmp_path))
        path = home / "m.yaml"
        path.write_text(yaml_text, encoding="utf-8")
        manifest = load(path).manifest
        lengths = [*seconds, *[180.0] * len(manifest.tracks)][: len(manifest.tracks)]
        sounds = [
            TrackSound(round(length * RATE_HZ), Fraction(2), track.disc)
            for length, track in zip(lengths, manifest.tracks, strict=True)
        ]
        words = track_metadata(manifest, lay_out(sounds))
        folder = home / "out" / "paper"
        write_credits_sheet(folder, manifest, words)
        return Made(manifest, words, folder)

    return make
