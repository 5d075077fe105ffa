"""The proof as one file for a mail: it fits its limit, is whole by itself, and verify checks it."""

from __future__ import annotations

import io
import json
import re
import zipfile
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest
import soundfile
from made_music import made_music

from assembler import build, load, verify
from assembler.proof.mailed import ALL, fitting
from assembler.release.build_report import BuildReport
from assembler.zip_files import write_zip

RATE_HZ = 44100
LENGTH_S = 12


def built(folder: Path, out: str, limit_mb: float = 18, **settings: object) -> BuildReport:
    """Build a disc without downloads, with a mailed proof."""
    for name, kind in (("1.wav", "plucked"), ("2.wav", "strings"), ("3.wav", "drums")):
        if not (folder / name).exists():
            music = made_music(kind, LENGTH_S, RATE_HZ)
            soundfile.write(folder / name, music, RATE_HZ, subtype="PCM_24")
    manifest = {
        "release": {"artist": "Halden Ferry Singers", "title": "Slack", "catalogue_number": "T"},
        "download": {"formats": []},
        "proof": {"zip_limit": limit_mb},
        "tracks": [{"title": f"Piece {n}", "audio": f"{n}.wav"} for n in (1, 2, 3)],
        **settings,
    }
    (folder / "t.yaml").write_text(json.dumps(manifest), encoding="utf-8")
    return build(load(folder / "t.yaml"), folder / out, packages=True)


@pytest.fixture(scope="module")
def disc_only(tmp_path_factory: pytest.TempPathFactory) -> BuildReport:
    return built(tmp_path_factory.mktemp("mailed"), "out")


def archive_of(report: BuildReport) -> Path:
    return report.release_dir / "proof" / "proof.zip"


@pytest.mark.thorough
def test_everything_that_the_page_asks_for_is_in_the_archive(disc_only: BuildReport) -> None:
    with zipfile.ZipFile(archive_of(disc_only)) as archive:
        names = set(archive.namelist())
        page = archive.read("T proof/index.html").decode()
        played = [name for name in names if name.endswith(".mp3")]
        for name in played:
            samples, rate_hz = soundfile.read(io.BytesIO(archive.read(name)))
            assert rate_hz == RATE_HZ
            assert np.abs(samples).max() > 0.01
    links = [*re.findall(r'(?:src|href)="([^"#]+)"', page)]
    assert len([link for link in links if link.startswith(("audio/", "joins/"))]) == 5
    assert {f"T proof/{unquote(link)}" for link in links} <= names
    assert not [link for link in links if link.startswith(("../", "/")) or ":" in link]
    assert "The audio in this copy is MP3 at 320 kbit/s, so that it stays below 18 MB." in page
    assert "default-src 'none'" in page


@pytest.mark.thorough
@pytest.mark.parametrize(("limit_mb", "codec"), [(1.6, "MP3"), (1.0, "Opus")])
def test_the_bit_rate_is_chosen_so_that_the_whole_fits(
    tmp_path: Path, limit_mb: float, codec: str
) -> None:
    report = built(tmp_path, "out", limit_mb)
    size = archive_of(report).stat().st_size
    assert limit_mb * 0.7e6 < size <= limit_mb * 1e6
    made = report.report.mailed
    assert made.codec == codec
    assert made.kbps < 320
    verified = verify(report.release_dir)
    assert verified.ok, verified.findings
    assert "mailed proofs: 1" in verified.proofs


@pytest.mark.thorough
def test_the_same_release_makes_the_same_archive(disc_only: BuildReport, tmp_path: Path) -> None:
    again = built(tmp_path, "again")
    assert archive_of(again).read_bytes() == archive_of(disc_only).read_bytes()
    assert verify(disc_only.release_dir).ok


@pytest.mark.thorough
def test_a_limit_that_nothing_fits_is_reported(tmp_path: Path) -> None:
    long = {"tracks": [{"title": f"Piece {n}", "audio": "1.wav"} for n in range(30)]}
    report = built(
        tmp_path, "out", 1, disc={"make": False}, download={"formats": ["flac-16"]}, **long
    )
    assert not archive_of(report).exists()
    (finding,) = [one for one in report.findings if one.code == "proof-too-big-to-mail"]
    assert finding.where == "proof.zip_limit"
    assert "larger than 1 MB even with Opus at 24 kbit/s" in finding.message
    assert verify(report.release_dir).ok


def test_the_best_encoding_that_fits_is_first() -> None:
    assert next(fitting([600.0], 18e6)).text == "MP3 at 224 kbit/s"
    assert next(fitting([2640.0], 18e6)).text == "Opus at 48 kbit/s"
    assert not list(fitting([4740.0] * 99, 18e6))
    assert list(fitting([1.0], 18e6)) == list(ALL)


def forged(release: Path, name: str, content: bytes | None) -> list[str]:
    """Replace an entry of the archive, and its checksums; return what verify finds."""
    path = release / "proof" / "proof.zip"
    before = path.read_bytes()
    with zipfile.ZipFile(path) as archive:
        files: dict[str, Path | bytes] = {
            one.removeprefix("T proof/"): archive.read(one) for one in archive.namelist()
        }
    if content is None:
        del files[name]
    else:
        files[name] = content
    try:
        write_zip(path, "T proof", files)
        return [one.message for one in verify(release).findings if one.code != "changed-file"]
    finally:
        path.write_bytes(before)


@pytest.mark.thorough
def test_verify_finds_what_is_not_of_this_release(disc_only: BuildReport) -> None:
    release = disc_only.release_dir
    with zipfile.ZipFile(archive_of(disc_only)) as archive:
        second = archive.read("T proof/audio/02.mp3")
        page = archive.read("T proof/index.html")
    cases = (
        ("audio/01.mp3", second, "`audio/01.mp3` in it does not match"),
        ("audio/01.mp3", b"\0" * 5000, "`audio/01.mp3` in it can't be decoded"),
        ("audio/03.mp3", None, "does not have `audio/03.mp3`"),
        ("more.txt", b"more", "has `more.txt`"),
        ("page.css", b"p {}", "`page.css` in it differs"),
        ("index.html", page.replace(b"Piece 1", b"Piece 9"), "its page is not that"),
    )
    for name, content, text in cases:
        found = forged(release, name, content)
        assert any(text in message for message in found), (name, found)
    assert verify(release).ok
