"""The length of every delivered file: in the tables, as declared, as decoded, as verified.

The first track is of 433 disc frames and a gap of 1 s, so that its MP3 file has 12 samples in its
last frame: LAME's padding is then more than a frame and 529 samples.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from mutagen.mp4 import MP4, MP4FreeForm

from assembler import build, load, verify
from assembler.download.gapless import GAPLESS_ITEM
from assembler.download.mp3_header import crc_16, read_mp3_header

pytestmark = pytest.mark.thorough

FIRST_FRAMES = 433 - 75
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-9}
level: {match: none}
download:
  formats: [flac-24, wav-16, mp3-320, mp3-vbr, aac-256, alac-24, opus-160, ogg-q8]
  rate: 44100
tracks:
- {title: One, audio: a.wav}
- {title: Two, audio: b.wav, gap: 1}
- {title: Three, audio: b.wav, gap: 0}
"""


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lengths")
    rng = np.random.default_rng(3)
    for name, frames in (("a", FIRST_FRAMES), ("b", 310)):
        sound = rng.normal(0, 0.05, (frames * 588, 2))
        soundfile.write(folder / f"{name}.wav", sound, 44100, subtype="PCM_24")
    (folder / "songs.yaml").write_text(MANIFEST, encoding="utf-8")
    return build(load(folder / "songs.yaml"), folder / "out", only=["download"]).release_dir


@pytest.fixture
def copy(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "TWE-9"))


def sum_up(release: Path, name: str) -> None:
    """Replace a file's digest wherever it is listed."""
    sums = release / "SHA256SUMS"
    names = {line[66:]: line[:64] for line in sums.read_text().splitlines()}
    new = hashlib.sha256((release / name).read_bytes()).hexdigest()
    for report in ("report.json", "report.txt"):
        path = release / report
        path.write_text(path.read_text().replace(names[name], new))
    for changed in (name, "report.json", "report.txt"):
        digest = hashlib.sha256((release / changed).read_bytes()).hexdigest()
        sums.write_text(sums.read_text().replace(names[changed], digest))


def test_the_tables_give_the_length_of_the_music_and_of_the_file(finished):
    tracks = json.loads((finished / "download/release.json").read_text())["tracks"]
    seconds = [round(frames / 75, 3) for frames in (FIRST_FRAMES, 310, 310)]
    assert [track["music_duration_s"] for track in tracks] == seconds
    for track in tracks:
        files = track["files"]
        for name in ("flac-24", "wav-16"):
            read = soundfile.info(str(finished / "download" / name / files[name])).duration
            assert track["file_duration_s"] == pytest.approx(read, abs=0.0005)
    assert tracks[0]["file_duration_s"] == pytest.approx(433 / 75, abs=0.0005)
    assert not [name for track in tracks for name in track if name == "duration_s"]


def test_verify_looks_at_the_length_of_every_file(finished):
    report = verify(finished)
    assert report.ok, report.findings
    assert "encoded files' lengths and peaks: 18" in report.proofs
    assert "lossless files' lengths: 6" in report.proofs


def test_verify_finds_an_mp3_that_plays_its_padding(copy):
    """As ffmpeg's own writer declares it: 1681 samples, and 35 of them are heard."""
    name = "download/mp3-320/01 One.mp3"
    content = bytearray((copy / name).read_bytes())
    assert read_mp3_header(copy / name).padding == 1728 - 12
    frame = content.index(b"Info") - 36
    content[frame + 36 + 141 : frame + 36 + 144] = (576 << 12 | 1681).to_bytes(3, "big")
    content[frame + 190 : frame + 192] = struct.pack(">H", crc_16(content[frame : frame + 190]))
    (copy / name).write_bytes(content)
    sum_up(copy, name)
    found = verify(copy).findings
    assert [(f.code, f.where) for f in found] == [("other-length", name)] * 2
    length = 433 * 588
    assert f"declares {length + 35} samples, the running order has {length}" in found[0].message
    assert f"decodes to {length + 35} samples" in found[1].message


@pytest.mark.parametrize("kind", ["flac-24/01 One.flac", "alac-24/01 One.m4a"])
def test_verify_finds_a_lossless_file_of_another_length(kind, copy):
    name = f"download/{kind}"
    other = copy / name.replace("01 One", "02 Two")
    tags = (copy / name).read_bytes()
    (copy / name).write_bytes(other.read_bytes())
    assert tags != other.read_bytes()
    sum_up(copy, name)
    codes = {f.code for f in verify(copy).findings if f.where == name}
    assert {"other-length", "other-tag"} <= codes


def test_verify_finds_a_gapless_item_that_is_not_its_edit_lists(copy):
    name = "download/aac-256/01 One.m4a"
    file = MP4(copy / name)
    file[GAPLESS_ITEM] = [MP4FreeForm(bytes(file[GAPLESS_ITEM][0]).replace(b"400", b"840"))]
    file.save()
    sum_up(copy, name)
    found = verify(copy).findings  # ffmpeg reads the delay in it, and leaves out as much
    codes = {(f.code, f.where) for f in found}  # and its sound no longer begins with the image's
    assert codes >= {("other-gapless", name), ("other-length", name)}
    assert {where for _, where in codes} == {name}
