"""Nothing is written outside the release's folder, whatever a manifest names or someone laid there:
common practice, no source. What Windows forbids in names: see `test_titles.py`."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest
from desk import MANIFEST, Desk, around, contents

NAMES = [
    "../../up",
    "..",
    "/etc/passwd",
    "//server/share",
    "\\\\server\\share",
    "C:\\Windows\\x",
    "C:x",
    "file:///etc/passwd",
    "CON",
    "aux.flac",
    "LPT1",
    "com¹",
    "dots...",
    "spaces  ",
    ". . .",
    "~/x",
    "%2e%2e%2fup",
    "．．／up",
    "a\u202e/../b",
    "…/up",
    "-rf",
    "x" * 1000,
    "ω" * 1000,
]
FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]|[. ]$')
RESERVED = re.compile(r"(con|prn|aux|nul|com[\d¹²³]|lpt[\d¹²³])(\..*)?", re.IGNORECASE)


@pytest.mark.thorough
def test_titles_and_names_lead_nowhere(desk: Desk) -> None:
    """Every name in every field that names a file or a folder, in one release."""
    desk.sound("a.wav", *_second())
    tree = {
        "release": {"artist": NAMES[0], "title": NAMES[2], "catalogue_number": NAMES[0]},
        "disc": {"make": False},
        "level": {"match": "none"},
        "download": {"formats": ["wav-16"]},
        "tracks": [
            {"title": name, "version": name, "artist": name, "audio": "a.wav"} for name in NAMES
        ],
    }
    desk.write()
    before = around(desk)
    document = desk.build(json.dumps(tree), "--zip")
    assert around(desk) == before
    release = Path(document["release_dir"])
    assert [path.name for path in desk.out.iterdir()] == [release.name]
    names = [path.name for path in release.rglob("*")]
    assert len([name for name in names if name.endswith(".wav")]) == len(NAMES)
    assert not [name for name in names if FORBIDDEN.search(name) or RESERVED.fullmatch(name)]
    assert not [name for name in names if len(name.encode()) > 255]
    assert not [path for path in release.rglob("*") if path.is_symlink()]
    assert desk.run("verify", release)[0] == 0


def _second() -> tuple[object, int]:
    from desk import hum

    return hum(1.0, 44100), 44100


@pytest.mark.parametrize("field", ["title", "artist", "catalogue_number"])
@pytest.mark.parametrize("name", ["a\0b", "..\0/x", "a\x1b]0;x\x07"], ids=ascii)
def test_a_nul_or_an_escape_in_a_name_is_refused(desk: Desk, field: str, name: str) -> None:
    tree = {"release": {"artist": "a", "title": "b"}, "tracks": [{"title": "c", "audio": "a.wav"}]}
    tree["release"][field] = name  # type: ignore[call-overload]
    desk.refused(json.dumps(tree, indent=1), "bad-text", at=field, where=f"release.{field}")


@pytest.fixture
def elsewhere(desk: Desk) -> Path:
    """A folder of someone else's, outside the output folder."""
    folder = desk.folder / "letters"
    folder.mkdir()
    (folder / "letter.txt").write_text("Dear Oda …", encoding="utf-8")
    return folder


def test_a_link_at_the_releases_place_is_not_followed(desk: Desk, elsewhere: Path) -> None:
    desk.out.mkdir()
    desk.release.symlink_to(elsewhere)
    line = desk.error_line("build", desk.write(), "--out", desk.out, "--only", "paper")
    assert line.startswith(f"{desk.release}: exists and is not a release")
    assert contents(elsewhere) == {"letter.txt": "Dear Oda …".encode()}
    assert desk.release.is_symlink()


def test_a_link_to_nowhere_at_the_releases_place_makes_nothing_there(desk: Desk) -> None:
    desk.out.mkdir()
    desk.release.symlink_to(desk.folder / "new")
    line = desk.error_line("build", desk.write(), "--out", desk.out, "--only", "paper")
    assert line.startswith(f"{desk.release}: can't be written")
    assert not (desk.folder / "new").exists()


def test_a_link_to_another_release_leaves_that_as_it_is(desk: Desk) -> None:
    other = desk.folder / "other"
    assert desk.json("build", desk.write(), "--out", other, "--only", "paper")[0] == 0
    before = contents(other)
    desk.out.mkdir()
    desk.release.symlink_to(other / "TWE-014")
    desk.run("build", desk.write(), "--out", desk.out, "--only", "paper")
    assert contents(other) == before


@pytest.mark.parametrize("room", ["disc", "download", "proof"])
def test_a_link_in_the_last_release_is_not_written_through(
    desk: Desk, elsewhere: Path, room: str
) -> None:
    desk.build(MANIFEST, "--only", "paper")
    (desk.release / room).symlink_to(elsewhere)
    before = contents(elsewhere)
    desk.run("build", desk.write(), "--out", desk.out, "--only", "paper")
    desk.run("build", desk.write(), "--out", desk.out, "--only", "paper")
    assert contents(elsewhere) == before


def test_a_file_of_the_last_release_that_became_a_link_is_not_written_through(
    desk: Desk, elsewhere: Path
) -> None:
    desk.build(MANIFEST, "--only", "paper")
    for path in [p for p in desk.release.rglob("*") if p.is_file() and p.name != "report.json"]:
        path.unlink()
        path.symlink_to(elsewhere / "letter.txt")
    desk.build(MANIFEST, "--only", "paper")
    assert contents(elsewhere) == {"letter.txt": "Dear Oda …".encode()}
    assert not [path for path in desk.release.rglob("*") if path.is_symlink()]


def test_an_approval_is_not_written_through_a_link(desk: Desk, elsewhere: Path) -> None:
    from assembler.proof.approval import Approval, approval_path, store_approval

    approval = Approval(
        approval=1, release="TWE-014", proof_of="0" * 64, approved=True, name="Oda Brenn",
        remark="", tracks=(), joins=(), parts=(),
    )  # fmt: skip
    manifest = desk.write()
    place = approval_path(manifest)
    for path in (place, place.with_name(f".{place.name}.new")):
        path.symlink_to(elsewhere / "letter.txt")
    assert store_approval(approval, manifest) == place
    assert json.loads(place.read_text(encoding="utf-8"))["name"] == "Oda Brenn"
    assert contents(elsewhere) == {"letter.txt": "Dear Oda …".encode()}


def test_a_draft_is_not_written_through_a_link(desk: Desk, elsewhere: Path) -> None:
    (desk.folder / "manifest.yaml").symlink_to(elsewhere / "new.yaml")
    exists = "the file exists already: name another file with --out"
    assert desk.error_line("draft", desk.folder) == f"{desk.folder / 'manifest.yaml'}: {exists}"
    assert sorted(os.listdir(elsewhere)) == ["letter.txt"]  # noqa: PTH208


@pytest.mark.parametrize("key", ["front_cover", "back_cover"])
@pytest.mark.parametrize("thing", ["fifo", "/dev/zero", "/dev/stdin", "loop", "."])
def test_a_cover_that_is_not_a_file_is_reported_at_once(desk: Desk, key: str, thing: str) -> None:
    os.mkfifo(desk.folder / "fifo")
    (desk.folder / "loop").symlink_to("loop")
    text = MANIFEST.replace("download:", f"  {key}: {thing}\ndownload:")
    code, errors = desk.reported_clearly("check", desk.write(text))
    assert (code, [error["where"] for error in errors]) == (1, [f"release.{key}"])
