"""No warning of a library reaches the terminal, on a machine that has no program on its PATH."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from PIL import Image

MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-W,
          front_cover: front.jpg}
level: {match: none}
download: {formats: [mp3-320]}
tracks:
- {title: Low Lantern, audio: a.wav}
- {title: Tide Table, audio: a.wav}
"""


@pytest.mark.thorough
def test_a_build_without_any_program_on_path_warns_of_nothing(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 0.05, (5 * 44100, 2))
    soundfile.write(tmp_path / "a.wav", noise, 44100, subtype="PCM_16")
    exif = Image.Exif()
    exif[0x0112] = 1
    damaged = exif.tobytes()[:20]
    Image.new("RGB", (1600, 1600)).save(tmp_path / "front.jpg", exif=damaged)
    with pytest.warns(UserWarning, match="EXIF"), Image.open(tmp_path / "front.jpg") as cover:
        cover.getexif()
    (tmp_path / "T.yaml").write_text(MANIFEST, encoding="utf-8")
    (tmp_path / "bin").mkdir()
    own = {"PATH": str(tmp_path / "bin"), "ASSEMBLER_STORE": str(tmp_path / "store")}
    done = subprocess.run(
        [sys.executable, "-m", "assembler", "build", "T.yaml", "--out", "out"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, **own},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert len(list((tmp_path / "out" / "TWE-W" / "proof" / "joins").iterdir())) == 1
    assert "Warning" not in done.stdout + done.stderr
    assert "ffmpeg" not in done.stdout + done.stderr
