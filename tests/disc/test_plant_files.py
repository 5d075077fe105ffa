"""What the plant gets beside the image: BIN with its cue sheet, MD5SUMS, and the letter.

BIN and cue sheet are read back by libcue, cd-info, cuetools and cdrdao; MD5SUMS by md5sum.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from desk import Desk
from disc_readers import by_libcue
from outside import output_of, program

from assembler import build, load
from assembler.disc.bin import write_bin
from assembler.errors import AssemblerError
from assembler.text import frames_text

MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-9,
          barcode: "2000000000145", isrc: {prefix: AA6Q7, year: 27, first: 1}}
level: {match: none}
disc: {forms: [wav, bin], tail: 1}
tracks:
- {title: Sørine, audio: a.wav, composers: [Ines Falk], copy_permitted: true}
- {title: Two, audio: a.wav, gap: 1, indexes: [1, 2]}
- {title: Three, audio: a.wav, gap: 0}
- {title: Four, audio: a.wav, disc: 2, gap: 3}
"""


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plant")
    t = np.arange(5 * 44100) / 44100
    wave = 0.2 * np.sin(2 * np.pi * 220 * t) * (1 + 0.5 * np.sin(2 * np.pi * t))
    soundfile.write(folder / "a.wav", np.stack([wave, -wave], 1), 44100, subtype="PCM_24")
    (folder / "songs.yaml").write_text(MANIFEST, encoding="utf-8")
    return build(load(folder / "songs.yaml"), folder / "out", only=["disc"]).release_dir


@pytest.fixture
def copy(finished: Path, tmp_path: Path) -> Path:
    """A copy to damage; its files are links until they are written again."""
    return Path(shutil.copytree(finished, tmp_path / "TWE-9", copy_function=os.link))


def test_bin_is_the_image_without_its_header(finished: Path) -> None:
    for number in (1, 2):
        image, _ = soundfile.read(finished / f"disc/TWE-9-{number}.wav", dtype="int16")
        raw = np.fromfile(finished / f"disc/bin/TWE-9-{number}.bin", "<i2").reshape(-1, 2)
        assert np.array_equal(image, raw)


def test_its_cue_sheet_differs_in_the_file_only(finished: Path) -> None:
    ours = (finished / "disc/TWE-9-1.cue").read_bytes()
    right = ours.replace(b'FILE "TWE-9-1.wav" WAVE', b'FILE "TWE-9-1.bin" BINARY')
    assert right != ours
    assert (finished / "disc/bin/TWE-9-1.cue").read_bytes() == right


@pytest.mark.wants("libcue.so.2")
def test_libcue_reads_it(finished: Path) -> None:
    sheets = [by_libcue((finished / f"disc/{n}TWE-9-1.cue").read_bytes()) for n in ("", "bin/")]
    assert {track.file for track in sheets[1].tracks} == {"TWE-9-1.bin"}
    assert [t.indexes for t in sheets[1].tracks] == [t.indexes for t in sheets[0].tracks]
    assert [t.isrc for t in sheets[1].tracks] == ["AA6Q72700001", "AA6Q72700002", "AA6Q72700003"]


@pytest.mark.wants("cd-info")
def test_cd_info_reads_bin_and_cue_sheet_as_they_are(finished: Path) -> None:
    cue = finished / "disc/bin/TWE-9-1.cue"
    text = output_of("cd-info", "--no-header", f"--cue-file={cue}", package="libcdio-utils")
    frames = soundfile.info(finished / "disc/TWE-9-1.wav").frames // 588
    assert f"170: {frames_text(frames + 150)}  {frames:06d} leadout" in text
    assert text.count(" audio ") >= 3


@pytest.mark.wants("cuebreakpoints")
def test_cuetools_finds_the_starts(finished: Path) -> None:
    cue = finished / "disc/bin/TWE-9-1.cue"
    text = output_of("cuebreakpoints", "--prepend-gaps", cue, package="cuetools")
    assert len(text.splitlines()) == 2


@pytest.mark.wants("cdrdao")
def test_cdrdao_reads_what_it_would_write(finished: Path) -> None:
    """Disc 2; cdrdao 1.2.4 refuses disc 1, which has index points above 01."""
    folder = finished / "disc/bin"
    done = subprocess.run(
        [program("cdrdao", "cdrdao"), "show-toc", "TWE-9-2.cue"],
        cwd=folder, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "ERROR" not in done.stderr
    lines = [" ".join(line.split()) for line in done.stdout.splitlines()]
    for line in ("CATALOG NUMBER: 2000000000145", "ISRC AA 6Q7 27 00004", "PREGAP 00:01:00( 75)"):
        assert line in lines
    assert "END 00:07:00( 525)" in lines


def test_md5sum_checks_the_folder(finished: Path) -> None:
    folder = finished / "disc"
    done = subprocess.run(
        [program("md5sum", "coreutils"), "-c", "MD5SUMS"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert done.returncode == 0, done.stderr
    assert {line.removesuffix(": OK") for line in done.stdout.splitlines()} == names - {"MD5SUMS"}


def test_the_letter_has_what_is_sent(finished: Path) -> None:
    text = (finished / "disc/to-plant.txt").read_text(encoding="utf-8")
    assert max(map(len, text.splitlines())) <= 100
    lines = (finished / "disc/MD5SUMS").read_text().splitlines()
    sums = {name: digest for digest, name in (line.split("  ") for line in lines)}
    for number in (1, 2):
        image = f"TWE-9-{number}.wav"
        frames = soundfile.info(finished / "disc" / image).frames // 588
        assert f"{frames_text(frames)} (mm:ss:ff), {frames} frames, {frames * 588} samples" in text
        assert f"MD5      {sums[image]}" in text
        assert f"MD5      {sums[f'bin/TWE-9-{number}.bin']}" in text
        assert f'wodim -v -dao -text speed=8 cuefile="TWE-9-{number}.cue"' in text
    assert 'cdrdao write --speed 8 "TWE-9-2.cue"' in text
    assert 'cdrdao write --speed 8 "TWE-9-1.cue"' not in text, "it has index points 02 and 03"
    digests = (finished / "SHA256SUMS").read_text().splitlines()
    (image_digest,) = [line[:64] for line in digests if line.endswith("disc/TWE-9-1.wav")]
    assert f"SHA-256  {image_digest}" in text
    assert "below 50 per second" in text
    assert "at most 220 per second" in text
    assert "AA-6Q7-27-00002  Two" in text


def test_without_bin_the_letter_says_how_to_get_it(desk: Desk) -> None:
    desk.build()
    folder = desk.release / "disc"
    assert not (folder / "bin").exists()
    text = (folder / "to-plant.txt").read_text(encoding="utf-8")
    assert "forms: [wav, bin]" in " ".join(text.split())
    assert "cdrdao" not in text


@pytest.mark.parametrize(
    ("name", "change", "code"),
    [
        ("bin/TWE-9-1.bin", lambda c: c[:100_000] + b"\1" + c[100_001:], "bin-sound"),
        ("bin/TWE-9-1.bin", lambda c: c[:-4], "bin-sound"),
        ("bin/TWE-9-2.cue", lambda c: c.replace(b"Four", b"Five"), "bin-cue"),
        ("MD5SUMS", lambda c: c.replace(b"a", b"b", 1), "md5-sums"),
        ("to-plant.txt", lambda c: c.replace(b"220", b"320", 1), "other-text"),
    ],
)
def test_verify_finds_a_change(copy: Path, name: str, change: Any, code: str, desk: Desk) -> None:
    path = copy / "disc" / name
    content = path.read_bytes()
    path.unlink()
    path.write_bytes(change(content))
    _, document = desk.json("verify", copy)
    assert (code, f"disc/{name}") in [(f["code"], f["file"]) for f in document["findings"]]


def test_verify_finds_a_missing_file(copy: Path, desk: Desk) -> None:
    (copy / "disc/bin/TWE-9-1.bin").unlink()
    _, document = desk.json("verify", copy)
    assert ("missing-file", "disc/bin/TWE-9-1.bin") in [
        (f["code"], f["file"]) for f in document["findings"]
    ]


def test_it_is_whole_as_built(finished: Path, desk: Desk) -> None:
    code, document = desk.json("verify", finished)
    assert code == 0, document["findings"]
    assert "BIN files against their image: 2" in document["proofs"]
    assert "letters to the plant: 1" in document["proofs"]


def test_the_next_build_reuses_the_bin_file(finished: Path, tmp_path: Path) -> None:
    shutil.copy(finished.parents[1] / "a.wav", tmp_path)
    source = tmp_path / "songs.yaml"
    for title in ("Two", "Second"):
        source.write_text(MANIFEST.replace("Two", title), encoding="utf-8")
        report = build(load(source), tmp_path / "out", only=["disc"])
    assert "disc/bin/TWE-9-1.bin" in report.reused
    assert "disc/bin/TWE-9-1.cue" in report.made


@pytest.mark.parametrize("forms", ["bin", "[bin]", "[wav, iso]", "[]"])
def test_forms_that_can_not_be(desk: Desk, forms: str) -> None:
    text = f"disc: {{forms: {forms}}}\n" + MANIFEST.replace(
        "disc: {forms: [wav, bin], tail: 1}\n", ""
    )
    _, document = desk.json("check", desk.write(text.replace("gap: 1", "gap: 1")))
    (error,) = [f for f in document["findings"] if f["where"].startswith("disc.forms")]
    assert error["severity"] == "error"


def test_a_truncated_image_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((44100, 2)), 44100, subtype="PCM_16")
    image = (tmp_path / "a.wav").read_bytes()
    (tmp_path / "a.wav").write_bytes(image[:-1000])
    with pytest.raises(AssemblerError, match=r"a\.wav: is truncated"):
        write_bin(tmp_path / "a.wav", tmp_path / "a.bin")
