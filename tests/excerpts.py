"""Excerpts of music, made by code and Debian's, as arrays."""

from __future__ import annotations

import functools
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

import pytest
import soundfile
from made_music import KINDS, Samples, made_music
from outside import MUSIC_FOLDERS, absent


class Excerpt(NamedTuple):
    """An excerpt of a freely licensed piece from a Debian package, or one made by code."""

    package: str | None
    file: str
    start_s: int
    length_s: int

    def __str__(self) -> str:
        return Path(self.file).stem.replace(" ", "-").lower()


MADE = tuple(Excerpt(None, kind, 0, 30) for kind in KINDS)
"""On any machine, at 48 kHz."""
EXCERPTS = (
    Excerpt("singularity-music", "A New Journey.ogg", 130, 30),
    Excerpt("singularity-music", "Aberrations.ogg", 123, 40),
    Excerpt("singularity-music", "Advanced Simulacra.ogg", 128, 40),
    Excerpt("singularity-music", "Coherence.ogg", 91, 40),
    Excerpt("singularity-music", "Deprecation.ogg", 110, 30),
    Excerpt("singularity-music", "Enemy Unknown.ogg", 104, 40),
    Excerpt("singularity-music", "Media Threat.ogg", 139, 30),
    Excerpt("singularity-music", "Nebula.ogg", 0, 60),
    Excerpt("singularity-music", "lose/Chimes They Fade.ogg", 0, 42),
    Excerpt("singularity-music", "lose/March Thee to Dis.ogg", 0, 42),
    Excerpt("singularity-music", "win/Apex Aleph.ogg", 41, 40),
    Excerpt("asc-music", "frontiers.mp3", 176, 30),
    Excerpt("asc-music", "machine_wars.mp3", 116, 30),
)
"""Quiet and loud, electronic and orchestral; at 48 kHz, the last two at 22.05 kHz."""


def with_debian_music(made: Iterable[object], real: Iterable[object]) -> list[object]:
    """Return parameters of a test: those on any machine, and those that need Debian's music."""
    return [*made, *(pytest.param(one, marks=pytest.mark.debian_music) for one in real)]


def part_of(path: Path, start_s: int, length_s: int) -> Samples:
    """Decode a part of a piece of music, or what there is of it; shape (frames, 2)."""
    with soundfile.SoundFile(path) as file:
        file.seek(min(start_s * file.samplerate, file.frames))
        samples: Samples = file.read(length_s * file.samplerate, "float32", always_2d=True)
        return samples


@functools.cache
def music(excerpt: Excerpt) -> tuple[Samples, int]:
    """Make or decode an excerpt once a session; return its samples, shape (frames, 2), and rate."""
    if excerpt.package is None:
        return made_music(excerpt.file, excerpt.length_s), 48000
    path = MUSIC_FOLDERS[excerpt.package] / excerpt.file
    if not path.is_file():
        absent(f"`{excerpt.file}`", excerpt.package)
    rate_hz = soundfile.info(path).samplerate
    samples, _ = soundfile.read(
        path,
        start=excerpt.start_s * rate_hz,
        frames=excerpt.length_s * rate_hz,
        dtype="float32",
        always_2d=True,
    )
    assert samples.shape == (excerpt.length_s * rate_hz, 2)
    samples.setflags(write=False)
    return samples, rate_hz
