"""A small release with everything on its two discs, damaged after the build: `verify` names what
was touched, even with new checksums."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from disc_readers import cd_info

from assembler import build, load, verify
from assembler.commands.main import main
from assembler.text import frames_text

pytestmark = pytest.mark.thorough

MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-9,
          barcode: "2000000000145", isrc: {prefix: AA6Q7, year: 27, first: 1}}
level: {match: none}
disc: {pregap_audio: a.wav, tail: 1}
tracks:
- {title: Sørine, audio: a.wav, composers: [Ines Falk], copy_permitted: true}
- {title: Two, audio: a.wav, overlap: 0.5, indexes: [1, 2]}
- {title: Three, audio: a.wav, gap: 1}
- {title: Four, audio: a.wav, disc: 2, gap: 3}
- {title: Five, audio: a.wav, gap: 0}
"""
DISC_FILES = [
    "MD5SUMS",
    *(f"TWE-9-{n}.{kind}" for n in (1, 2) for kind in ("cdtext", "cue", "flac", "wav")),
    *(f"pq-sheet-{n}.{kind}" for n in (1, 2) for kind in ("pdf", "txt")),
    "to-plant.txt",
]


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("small")
    t = np.arange(5 * 44100) / 44100
    wave = 0.2 * np.sin(2 * np.pi * 220 * t) * (1 + 0.5 * np.sin(2 * np.pi * t))
    soundfile.write(folder / "a.wav", np.stack([wave, -wave], 1), 44100, subtype="PCM_24")
    (folder / "songs.yaml").write_text(MANIFEST, encoding="utf-8")
    release = build(load(folder / "songs.yaml"), folder / "out", only=["disc"]).release_dir
    found = verify(release)
    assert found.ok, found.findings
    return release


@pytest.fixture
def copy(finished: Path, tmp_path: Path) -> Path:
    """A copy to damage; its files are links until they are written again."""
    return Path(shutil.copytree(finished, tmp_path / "TWE-9", copy_function=os.link))


def rewrite(path: Path, content: bytes) -> None:
    path.unlink()
    path.write_bytes(content)


def sum_up(release: Path) -> None:
    """Write SHA256SUMS again."""
    lines = []
    for line in (release / "SHA256SUMS").read_text().splitlines():
        name = line.partition("  ")[2]
        lines.append(f"{hashlib.sha256((release / name).read_bytes()).hexdigest()}  {name}\n")
    rewrite(release / "SHA256SUMS", "".join(lines).encode())


def findings_of(release: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    """Findings of a verification that fails."""
    capsys.readouterr()
    assert main(["verify", str(release), "--json"]) == 1
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    document = json.loads(out)
    assert document["ok"] is False
    return list(document["findings"])


@pytest.mark.wants("cd-info")
def test_libcdio_reads_the_lead_out_of_the_pq_sheet(finished: Path, tmp_path: Path) -> None:
    """Of a disc that begins with sound before track 1, and of one with a pause of 3 s there."""
    for number in (1, 2):
        cue, image = (finished / f"disc/TWE-9-{number}.{kind}" for kind in ("cue", "wav"))
        lead_out, _ = cd_info(cue, image, tmp_path / f"links-{number}").starts[170]
        sheet = (finished / f"disc/pq-sheet-{number}.txt").read_text(encoding="utf-8")
        (printed,) = re.findall(r"Lead-out \(absolute\) +(\S+)", sheet)
        assert printed == frames_text(lead_out)
        starts = re.findall(r" 01 +\S+ +(\d\d:\d\d:\d\d) ", sheet)
        info = cd_info(cue, image, tmp_path / f"more-{number}")
        assert starts == [frames_text(info.starts[n][0]) for n in range(1, len(starts) + 1)]
        assert len(starts) == {1: 3, 2: 2}[number]


def test_the_files_are_these(finished: Path) -> None:
    assert sorted(path.name for path in (finished / "disc").iterdir()) == sorted(DISC_FILES)


@pytest.mark.parametrize("place", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("name", DISC_FILES)
def test_one_flipped_bit_is_found_and_named(
    copy: Path, capsys: pytest.CaptureFixture[str], name: str, place: float
) -> None:
    path = copy / "disc" / name
    content = bytearray(path.read_bytes())
    content[round(place * (len(content) - 1))] ^= 0x01
    rewrite(path, bytes(content))
    found = findings_of(copy, capsys)
    named = {f["file"] for f in found}
    assert f"disc/{name}" in {f["file"] for f in found if f["code"] == "changed-file"}
    # What else is found is about this file, or about what it is held against.
    stem = f"disc/TWE-9-{name.split('-')[-1][0]}"
    assert named <= {f"disc/{name}", f"{stem}.wav", f"{stem}.flac"}


EDITS = [
    ('TITLE "Two"', 'TITLE "Too"', "cue-title", "Too"),
    ("INDEX 02 ", "INDEX 03 ", "cue-times", "track 2"),
    ("FLAGS DCP", "FLAGS PRE", "cue-flags", "PRE"),
    ("ISRC AA6Q72700003", "ISRC AA6Q72700004", "cue-isrc", "AA6Q72700004"),
    (
        "    INDEX 00 00:00:00\r\n    INDEX 01 00:01:00",
        "    PREGAP 00:01:00\r\n    INDEX 01 00:01:00",
        "cue-pregap",
        "00:01:00",
    ),
    ("INDEX 01 00:01:00", "INDEX 01 00:01:01", "cue-times", "00:01:01"),
    ('    SONGWRITER "Ines Falk"\r\n', "", "cue-songwriter", "Ines Falk"),
    ('TITLE "Slack Water"', 'TITLE "Slick Water"', "cue-release", "release"),
    ("CATALOG 2000000000145", "CATALOG 2000000000146", "cue-release", "release"),
    ('FILE "TWE-9-1.wav"', 'FILE "TWE-9.wav"', "cue-file", "TWE-9.wav"),
    (" WAVE\r\n", " BINARY\r\n", "cue-file", "BINARY"),
    ("TRACK 02 AUDIO", "TRACK 02 MODE1/2352", "cue-tracks", "MODE1/2352"),
    ("TRACK 03 AUDIO", "TRACK 04 AUDIO", "cue-tracks", "tracks"),
    ("INDEX 01 00:01:00", "INDEX 01 noon", "unreadable-file", "not a cue sheet command"),
    ("\r\n", "\n", "cue-line-ends", "CR LF"),
    ("Sørine", "Søríne", "cue-title", "Søríne"),
    ("REM CATALOGUE NUMBER TWE-9", "REM CATALOGUE NUMBER TWE-8", "cue-release", "remarks"),
]


@pytest.mark.parametrize(("old", "new", "code", "named"), EDITS)
def test_an_edited_cue_sheet_is_found_though_the_checksums_agree(
    copy: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, code: str, named: str
) -> None:
    disc = next(
        n for n in (1, 2) if old.encode("iso-8859-1") in (copy / f"disc/TWE-9-{n}.cue").read_bytes()
    )
    path = copy / f"disc/TWE-9-{disc}.cue"
    text = path.read_bytes().decode("iso-8859-1")
    rewrite(path, text.replace(old, new).encode("iso-8859-1"))
    sum_up(copy)
    found = findings_of(copy, capsys)
    assert {f["file"] for f in found} == {f"disc/{path.name}"}
    assert code in {f["code"] for f in found}
    assert named in " ".join(f["message"] for f in found)


def image_of(release: Path, disc: int) -> tuple[Path, np.ndarray]:
    path = release / f"disc/TWE-9-{disc}.wav"
    return path, soundfile.read(str(path), dtype="int16", always_2d=True)[0].copy()


def replace_image(path: Path, pcm: np.ndarray, rate_hz: int = 44100) -> None:
    path.unlink()
    soundfile.write(path, pcm, rate_hz, subtype="PCM_16")


def test_an_image_with_sound_in_a_pause(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, pcm = image_of(copy, 1)
    report = json.loads((copy / "report.json").read_text())
    third = report["tracks"][2]["start_frame"] * 588
    pcm[third - 1] = 1
    replace_image(path, pcm)
    sum_up(copy)
    codes = {f["code"]: f for f in findings_of(copy, capsys)}
    assert "the pause before track 3" in codes["sound-in-pause"]["message"]
    assert codes["sound-in-pause"]["file"] == "disc/TWE-9-1.wav"
    assert codes["archive-sound"]["file"] == "disc/TWE-9-1.flac"


def test_an_image_with_sound_in_the_tail(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, pcm = image_of(copy, 2)
    pcm[-1] = -1
    replace_image(path, pcm)
    sum_up(copy)
    codes = {f["code"]: f for f in findings_of(copy, capsys)}
    assert "the tail" in codes["sound-in-pause"]["message"]


def test_an_image_that_clips(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, pcm = image_of(copy, 2)
    pcm[44100 : 44100 + 4, 1] = 32767
    replace_image(path, pcm)
    sum_up(copy)
    codes = {f["code"]: f for f in findings_of(copy, capsys)}
    assert "0:01.00" in codes["clipped-run"]["message"]


def test_three_samples_at_full_scale_are_not_clipping(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, pcm = image_of(copy, 2)
    pcm[44100 : 44100 + 3, 1] = 32767
    replace_image(path, pcm)
    sum_up(copy)
    assert "clipped-run" not in {f["code"] for f in findings_of(copy, capsys)}


@pytest.mark.parametrize("cut", [1, 588])
def test_an_image_that_is_shorter(copy: Path, capsys: pytest.CaptureFixture[str], cut: int) -> None:
    path, pcm = image_of(copy, 1)
    replace_image(path, pcm[:-cut])
    sum_up(copy)
    codes = {f["code"]: f for f in findings_of(copy, capsys)}
    assert codes["image-length"]["file"] == "disc/TWE-9-1.wav"
    assert codes["archive-sound"]["file"] == "disc/TWE-9-1.flac"


def test_an_image_that_is_quieter(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, pcm = image_of(copy, 2)
    replace_image(path, np.round(pcm * 0.99).astype(np.int16))
    sum_up(copy)
    found = [f for f in findings_of(copy, capsys) if f["code"] == "other-level"]
    assert {f["file"] for f in found} == {"disc/TWE-9-2.wav"}
    assert ["track 1" in f["message"] for f in found] == [True, False]


def test_an_image_at_another_rate(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, pcm = image_of(copy, 2)
    replace_image(path, pcm, 48000)
    sum_up(copy)
    assert "image-format" in {f["code"] for f in findings_of(copy, capsys)}


@pytest.mark.parametrize("kind", ["wav", "cue", "cdtext", "flac"])
def test_a_file_that_is_empty_or_missing(
    copy: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    rewrite(copy / f"disc/TWE-9-1.{kind}", b"")
    sum_up(copy)
    assert f"disc/TWE-9-1.{kind}" in {f["file"] for f in findings_of(copy, capsys)}
    (copy / f"disc/TWE-9-1.{kind}").unlink()
    found = [f for f in findings_of(copy, capsys) if f["code"] == "missing-file"]
    assert [f["file"] for f in found] == [f"disc/TWE-9-1.{kind}"]
