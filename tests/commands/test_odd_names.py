"""Names of every kind: bytes that are no UTF-8, locales without their letters, sides that are named
like paths, output folders that can't be (file names: POSIX.1-2017, from memory)."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from urllib.parse import quote

import pytest
import soundfile
from commands.typed import typed
from desk import MANIFEST, Desk, around, hum

from assembler.file_names import distinct_names, for_libsndfile, safe_name
from assembler.finished.release_folder import read_checksums

pytestmark = pytest.mark.thorough

NO_UTF_8 = os.fsdecode(b"t\xf8k \xff")
"""What a disk from an old system has; macOS and Windows refuse such names."""
old_names = pytest.mark.skipif(sys.platform != "linux", reason="file names are UTF-8 here")
C_LOCALE = {"LC_ALL": "C", "PYTHONUTF8": "0"}
SIDES = """\
release: {{artist: Halden Ferry Singers, title: Songs}}
disc: {{make: false}}
level: {{match: none}}
download: {{formats: [flac-16]}}
transfers:
{sides}tracks:
{tracks}"""


def sides(*names: str) -> str:
    """Return a manifest of sides with these names, all on one file."""
    listed = "".join(
        f"  {json.dumps(name)}: {{file: a.wav, restoration: {{dc: remove}}}}\n" for name in names
    )
    tracks = "".join(f"  - {{title: x, from: {json.dumps(name)}}}\n" for name in names)
    return SIDES.format(sides=listed, tracks=tracks)


@old_names
@pytest.mark.parametrize("locale", [{}, C_LOCALE], ids=["UTF-8", "C"])
def test_files_whose_names_are_no_utf_8_are_measured(desk: Desk, locale: dict[str, str]) -> None:
    """WAV is read by our own reader, FLAC by libsndfile, M4A by mutagen and ffmpeg."""
    names = [f"{NO_UTF_8}.wav", f"{NO_UTF_8}.flac", "Sørlys 低.aiff"]
    for name in names:
        soundfile.write(for_libsndfile(desk.folder / name), hum(2), 8000)
    done = typed("measure", *names, "--json", folder=desk.folder, **locale)
    assert (done.returncode, done.stderr) == (0, b"")
    assert [file["path"] for file in json.loads(done.stdout)["files"]] == names
    shown = typed("measure", *names, folder=desk.folder, **locale)
    assert (shown.returncode, shown.stderr) == (0, b"")


@old_names
@pytest.mark.parametrize("locale", [{}, C_LOCALE], ids=["UTF-8", "C"])
def test_a_side_with_a_name_that_is_not_utf_8_gets_a_picture(
    desk: Desk, locale: dict[str, str]
) -> None:
    name = f"{NO_UTF_8}.wav"
    soundfile.write(for_libsndfile(desk.folder / name), hum(8), 8000)
    done = typed("survey", name, "--pictures", NO_UTF_8, "--json", folder=desk.folder, **locale)
    assert (done.returncode, done.stderr) == (0, b"")
    (picture,) = (desk.folder / NO_UTF_8).glob("*.png")
    assert picture.read_bytes().startswith(b"\x89PNG")
    split = typed("split", name, folder=desk.folder, **locale)
    assert b"Traceback" not in split.stderr


@old_names
@pytest.mark.parametrize("locale", [{}, C_LOCALE], ids=["UTF-8", "C"])
def test_a_release_is_built_in_and_from_a_folder_of_any_name(
    desk: Desk, locale: dict[str, str]
) -> None:
    folder = desk.folder / NO_UTF_8
    folder.mkdir()
    (desk.folder / "a.wav").rename(folder / "Sørlys 低.wav")
    text = MANIFEST[: MANIFEST.index("  - title: Tide")].replace("TWE", "TØE")
    manifest = folder / f"{NO_UTF_8}.yaml"
    manifest.write_text(text.replace("a.wav", "Sørlys 低.wav"), encoding="utf-8")
    out = desk.folder / f"{NO_UTF_8} finished"
    done = typed("build", manifest, "--out", out, folder=desk.folder, **locale)
    assert (done.returncode, done.stderr) == (0, b"")
    (finished,) = out.iterdir()
    assert finished.name == "TØE-014"
    assert (finished / "disc" / "TØE-014.wav").is_file()
    assert len(read_checksums(finished)) > 10
    verified = typed("verify", finished, folder=desk.folder, **locale)
    assert (verified.returncode, verified.stderr) == (0, b"")
    compared = typed("compare", finished, finished, folder=desk.folder, **locale)
    assert (compared.returncode, compared.stderr) == (0, b"")


@pytest.mark.parametrize("name", ["../../x", "/etc/x", "..", "~", "-o", "CON", "a/../../b"])
def test_a_sides_name_leads_nowhere(desk: Desk, name: str) -> None:
    folder = desk.folder / "deep" / "pictures"
    folder.mkdir(parents=True)
    path = desk.write(sides(name))
    before = around(desk)
    code, document = desk.json("survey", path, "--pictures", folder)
    assert code == 0
    (picture,) = (desk.folder / "deep").rglob("*.png")
    assert picture.parent == folder
    assert document["sides"][0]["picture"] == str(picture)
    assert picture.name[0] not in "-~."
    assert around(desk) == before


def test_sides_of_one_name_keep_a_picture_each(desk: Desk) -> None:
    for folder in ("one", "two"):
        (desk.folder / folder).mkdir()
        desk.sound(f"{folder}/side.wav", hum(8, hz=200 if folder == "one" else 300))
    files = [desk.folder / folder / "side.wav" for folder in ("one", "two")]
    pictures = desk.folder / "pictures"
    _, document = desk.json("survey", *files, "--pictures", pictures)
    written = [Path(side["picture"]) for side in document["sides"]]
    assert [path.name for path in written] == ["side.png", "side (2).png"]
    assert written[0].read_bytes() != written[1].read_bytes()
    path = desk.write(sides("A/1", "a:1", "A-1"))
    _, document = desk.json("survey", path, "--pictures", pictures)
    names = [Path(side["picture"]).name for side in document["sides"]]
    assert len({name.casefold() for name in names}) == 3


def test_sides_of_one_name_keep_clips_each(desk: Desk) -> None:
    desk.sound("a.wav", hum(8) + 0.1)
    text = sides("A/1", "A:1")
    code, _ = desk.json("build", desk.write(text), "--out", desk.out)
    assert code == 0
    clips = sorted(path.name for path in desk.out.rglob("proof/sides/*.mp3"))
    assert len(clips) == 4
    (page,) = desk.out.rglob("index.html")
    text = page.read_text(encoding="utf-8")
    assert all(quote(name) in text for name in clips)


def test_names_of_files_begin_as_no_option_and_no_home() -> None:
    for text in ("-rf", "~root", "--out=x", " ~", "\u200b-x", "-", "~"):
        assert safe_name(text)[0] == "_"
    assert distinct_names(["A", "a", "A (2)", "A"]) == ["A", "a (2)", "A (2) (2)", "A (3)"]


@pytest.mark.parametrize("more", [(), ("songs.yaml",)], ids=["one", "several"])
@pytest.mark.parametrize("out", ["loop", "loop/deeper", "x" * 300, "/".join(["y" * 200] * 30)])
def test_an_impossible_output_folder_is_reported(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, out: str, more: tuple[str, ...]
) -> None:
    monkeypatch.chdir(desk.folder)
    (desk.folder / "loop").symlink_to("loop")
    desk.write()
    desk.write(name="more.yaml")
    code, document = desk.json("build", "more.yaml", *more, "--out", out)
    releases = document["releases"] if more else [document]
    errors = [f for one in releases for f in one["findings"] if f["severity"] == "error"]
    assert code == 1
    assert len(errors) == len(releases)
    assert all("choose another --out" in error["message"] for error in errors)
    code, shown, err = desk.run("build", "more.yaml", *more, "--out", out)
    assert code == 1
    assert "Traceback" not in shown + err
    assert sorted(p.name for p in desk.folder.iterdir()) == sorted(
        ["a.wav", "b.wav", "loop", "more.yaml", "songs.yaml"]
    )
