"""A credits sheet from a manifest's text."""

from __future__ import annotations

import functools
from collections.abc import Callable
from fractions import Fraction

import pytest
from sheets.made_sheet import Made

from assembler.manifest import load
from assembler.metadata import track_metadata
from assembler.sequence import TrackSound, lay_out
from assembler.sheets.credits_sheet import write_credits_sheet

RATE_HZ = 44100


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Made]:
    """Return a credits sheet by a manifest's text and its tracks' lengths in seconds.

    Each is made once for all tests: none of them changes it.
    """

    @functools.cache
    def make(yaml_text: str, seconds: tuple[float, ...]) -> Made:
        home = tmp_path_factory.mktemp("sheet")
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

    return lambda yaml_text, seconds=(): make(yaml_text, tuple(seconds))
