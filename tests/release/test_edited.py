"""Files of a release that a person edits or adds: no other file changes with them, and no build
writes over them without a word."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assembler import build, load, verify
from assembler.digest import file_digest
from assembler.finished.release_folder import read_checksums
from assembler.release.build_report import BuildReport
from assembler.release.progress import Step

RATE_HZ = 44100
MANIFEST = """\
release: {artist: A, title: B, catalogue_number: TWE-E}
level: {match: track, target: -20}
download: {formats: [flac-16]}
tracks:
- {title: One, audio: a.wav}
- {title: Two, audio: b.wav}
"""
COPY = "paper/label-copy.txt"
FLAC = "download/flac-16/01 One.flac"


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two recordings and an empty cache."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))
    for n, name in enumerate("ab"):
        noise = np.random.default_rng(n).normal(0, 0.05, (5 * RATE_HZ, 2))
        soundfile.write(tmp_path / f"{name}.wav", noise, RATE_HZ, subtype="PCM_24")
    return tmp_path


def built(desk: Path, out: str = "out", edit: str = "", **how: object) -> BuildReport:
    path = desk / "T.yaml"
    path.write_text(MANIFEST + edit, encoding="utf-8")
    return build(load(path), desk / out, **how)  # type: ignore[arg-type]


def scribble(path: Path) -> None:
    """Change a file in its place and keep its size and time of change, as some taggers do."""
    found = path.stat()
    with path.open("r+b") as file:
        file.seek(found.st_size // 2)
        byte = file.read(1)
        file.seek(-1, os.SEEK_CUR)
        file.write(bytes([byte[0] ^ 0x20]))
    os.utime(path, ns=(found.st_atime_ns, found.st_mtime_ns))


def whole(release: Path) -> bool:
    return all(file_digest(release / name) == d for name, d in read_checksums(release).items())


def files_of(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def codes(report: BuildReport) -> set[str]:
    return {f.code for f in report.findings if f.code.startswith(("edited", "added"))}


@pytest.mark.thorough
def test_an_edit_in_one_output_reaches_no_other_and_not_the_store(desk):
    first = built(desk).release_dir
    wanted = read_checksums(first)
    second = built(desk, "out-2").release_dir
    for release in (first, second):
        assert {path.stat().st_nlink for path in files_of(release)} == {1}
    for path in files_of(first):
        scribble(path)
    assert whole(second)
    third = built(desk, "out-3").release_dir
    assert read_checksums(third) == wanted
    assert verify(third).ok


@pytest.mark.thorough
def test_a_build_over_the_last_release_shares_nothing_either(desk):
    first = built(desk)
    image, inode = "disc/TWE-E.wav", (first.release_dir / "disc/TWE-E.wav").stat().st_ino
    again = built(desk, edit="text: {thanks: All at the slipway.}\n")
    assert image in again.reused
    assert (again.release_dir / image).stat().st_ino == inode  # taken over, not copied
    files = [*files_of(again.release_dir), *files_of(desk / "store")]
    assert {path.stat().st_nlink for path in files} == {1}
    assert verify(again.release_dir).ok
    assert codes(again) == set()


def test_edited_and_added_files_are_copied_aside_and_reported(desk):
    release = built(desk).release_dir
    wanted = read_checksums(release)
    (release / COPY).write_text("by hand", encoding="utf-8")
    (release / "disc" / "letter to the plant.txt").write_text("Dear plant", encoding="utf-8")
    scribble(release / FLAC)
    tagged = (release / FLAC).read_bytes()
    report = built(desk)
    kept = desk / "out" / "TWE-E.kept"
    assert codes(report) == {"edited-files-kept", "added-files-kept"}
    text = " ".join(finding.message for finding in report.findings)
    assert all(word in text for word in (COPY, FLAC, "letter to the plant.txt", str(kept)))
    assert {path.relative_to(kept).as_posix() for path in files_of(kept)} == {
        COPY, FLAC, "disc/letter to the plant.txt"
    }  # fmt: skip
    assert (kept / COPY).read_text() == "by hand"
    assert (kept / FLAC).read_bytes() == tagged
    assert read_checksums(release) == wanted
    assert verify(release).ok
    assert codes(built(desk)) <= codes(report)
    assert len(files_of(kept)) == 3  # once, not with every build


@pytest.mark.thorough
def test_edits_are_found_without_the_record_of_the_last_build(desk, monkeypatch):
    release = built(desk).release_dir
    scribble(release / COPY)
    monkeypatch.setenv("ASSEMBLER_STORE", str(desk / "another user's store"))
    report = built(desk)
    assert codes(report) == {"edited-files-kept"}
    assert [path.name for path in files_of(desk / "out" / "TWE-E.kept")] == ["label-copy.txt"]
    assert verify(release).ok


def test_an_edit_in_a_kept_room_stays_and_is_reported(desk):
    release = built(desk).release_dir
    (release / COPY).write_text("by hand", encoding="utf-8")
    report = built(desk, edit="text: {thanks: All}\n", only=("disc",))
    assert codes(report) == {"edited-files-stay"}
    assert (release / COPY).read_text() == "by hand"
    assert not (desk / "out" / "TWE-E.kept").exists()


def test_an_edit_while_a_build_runs_is_copied_aside_too(desk):
    release = built(desk).release_dir
    before = (release / FLAC).read_bytes()
    done: list[Step] = []

    def edit(step: Step) -> None:
        if step.what == "proof" and step.moment == "begun" and not done:
            done.append(step)
            with (release / FLAC).open("ab") as file:
                file.write(b"tag")

    report = built(desk, edit="text: {thanks: All}\n", progress=edit)
    assert done
    assert codes(report) == {"edited-files-kept"}
    assert (desk / "out" / "TWE-E.kept" / FLAC).read_bytes() == before + b"tag"
    assert verify(release).ok


@pytest.mark.thorough
def test_an_edit_that_the_new_release_has_too_is_not_copied(desk):
    release = built(desk).release_dir
    other = built(desk, "elsewhere", edit="text: {thanks: All}\n").release_dir
    same = [n for n, d in read_checksums(other).items() if read_checksums(release).get(n) != d]
    name = next(n for n in same if n.startswith("paper/"))
    (release / name).write_bytes((other / name).read_bytes())
    assert codes(built(desk, edit="text: {thanks: All}\n")) == set()
