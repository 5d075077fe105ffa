"""An album whose levels are scattered, of made music and of real."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import soundfile
from demo_builds import Built
from excerpts import part_of, with_debian_music
from long_runs import series
from made_music import KINDS, Samples, made_music
from outside import real_music

from assembler import build, load


def pieces(kind: str) -> Iterator[tuple[Samples, int]]:
    """Return pieces and their rates: of each kind that is made, or Debian's."""
    if kind == "made":
        for name in KINDS:
            yield made_music(name)[: 15 * 48000], 48000
        return
    for path in real_music("singularity-music")[: series(9, 4)]:
        yield part_of(path, 0, series(3600, 30)), soundfile.info(path).samplerate


@pytest.fixture(scope="session", params=with_debian_music(["made"], ["real"]))
def scattered_album(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Built:
    """Music as 24-bit WAV, its levels scattered over 20 dB; of real music 41 minutes, or two."""
    folder = tmp_path_factory.mktemp("scattered")
    lines = [
        "release: {artist: Halden Ferry Singers, title: Borrowed Tunes, catalogue_number: TWE-R}",
        "level: {match: track, target: -16, ceiling: -1}",
        "download: {formats: [flac-24, mp3-320]}",
        "tracks:",
    ]
    for number, (samples, rate_hz) in enumerate(pieces(request.param)):
        level_db = -5.0 * ((2 * number) % 5)
        sound = samples * 10 ** (level_db / 20)
        soundfile.write(folder / f"{number:02d}.wav", sound, rate_hz, subtype="PCM_24")
        lines += [f"  - title: Piece {number + 1}", f"    audio: {number:02d}.wav"]
    (folder / "album.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    source = load(folder / "album.yaml")
    return Built(source, build(source, folder / "out"))
