"""The report's first sample of each track's source is where its file begins: read by libsndfile."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

from assembler import build, load

RATE_HZ = 48000
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: T}
level: {match: none}
download: {formats: [flac-24]}
tracks:
- {title: Low Lantern, audio: a.wav, start: 0.4321}
- {title: Undertow, audio: b.wav, gap: 0}
- {title: Tide Table, audio: c.wav, overlap: 0.25}
- {title: Ebb, audio: d.wav, gap: 1}
"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    folder = tmp_path_factory.mktemp("first")
    for n, name in enumerate("abcd"):
        noise = np.random.default_rng(n).normal(0, 0.05, (RATE_HZ * (20 + n) // 4 + 1234 + n, 2))
        soundfile.write(folder / f"{name}.wav", noise, RATE_HZ, subtype="PCM_24")
    (folder / "T.yaml").write_text(MANIFEST, encoding="utf-8")
    return folder


def read(folder, name):
    (path,) = folder.rglob(name)
    return soundfile.read(path, dtype="int32", always_2d=True)[0]


def test_each_file_begins_with_the_reported_sample_of_its_source(desk):
    release = build(load(desk / "T.yaml"), desk / "out", only=("disc", "download")).release_dir
    tracks = json.loads((release / "report.json").read_text(encoding="utf-8"))["tracks"]
    firsts = [track["source"]["first_samples"] for track in tracks]
    assert all(set(first) == {"44100", "48000"} for first in firsts)
    assert any(first["48000"] for first in firsts[1:3])
    for n, (name, first) in enumerate(zip("abcd", firsts, strict=True), 1):
        made, source = read(release, f"0{n} *.flac"), read(desk, f"{name}.wav")
        start = first["48000"]
        ahead = max(0, -start) + RATE_HZ // 3 * (n == 3)  # where the overlap has ended
        ahead += RATE_HZ // 100 if n > 1 else 0
        apart = made[ahead : ahead + 9999] - source[start + ahead :][:9999]
        assert np.abs(apart).max() <= 2 << 8  # 24 bits: the overlapping passage is dithered
    kept = build(load(desk / "T.yaml"), desk / "out", only=("paper",)).release_dir
    again = json.loads((kept / "report.json").read_text(encoding="utf-8"))["tracks"]
    assert [track["source"]["first_samples"] for track in again] == firsts
