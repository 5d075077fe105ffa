"""Titles with every kind of sign: they stay whole in tags and files get safe names. What Windows
forbids in names: learn.microsoft.com, "Naming Files, Paths, and Namespaces"."""

from __future__ import annotations

import json
import re
from pathlib import Path

import mutagen
import pytest
from desk import MANIFEST, Desk
from mutagen.mp4 import MP4

from assembler import load

TITLES = [
    'Say "Ahoy" — it\'s ‘late’',
    "AC/DC \\ <Salt> | Tide?* : Two",
    "🌊 Tide 👩‍👩‍👧 🇳🇴",
    "שיר של ים (Shir)",
    "مدّ وجزر",
    "L" + "ånge " * 59 + "Sång",
    "--help",
    "-rf *",
    "../../up",
    "/etc/passwd",
    "CON",
    "con.txt",
    "...",
    "%s {x} $HOME `ls`",
    "[bold]&amp; <i>",
    "e\u0301te\u0301",
    "No",
    "~",
    "低いランタン",
]
RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def with_titles(titles: list[str], formats: str) -> str:
    """Return a manifest with these titles."""
    head = MANIFEST[: MANIFEST.index("tracks:")].replace("flac-16", formats)
    tracks = "".join(
        f"  - title: {json.dumps(t, ensure_ascii=False)}\n    audio: a.wav\n" for t in titles
    )
    return f"{head}tracks:\n{tracks}"


def title_of(path: Path) -> str:
    """Read a title tag with mutagen."""
    file = mutagen.File(path)
    if path.suffix in (".mp3", ".wav"):
        return str(file.tags["TIT2"].text[0])
    return str(file.tags["©nam" if isinstance(file, MP4) else "title"][0])


@pytest.mark.thorough
def test_titles_stay_whole_and_names_are_safe(desk: Desk) -> None:
    formats = ["flac-16", "wav-16", "mp3-320", "aac-256", "opus-160"]
    titles = TITLES[:7]
    document = desk.build(with_titles(titles, ", ".join(formats)))
    assert [track["title"] for track in document["tracks"]] == titles
    for name in formats:
        files = sorted((desk.release / "download" / name).iterdir())
        assert [title_of(path) for path in files] == titles
    assert desk.run("verify", desk.release)[0] == 0


@pytest.mark.thorough
def test_more_titles_stay_whole_and_all_names_are_safe(desk: Desk) -> None:
    desk.build(with_titles(TITLES, "flac-16"))
    files = sorted((desk.release / "download" / "flac-16").iterdir())
    assert [title_of(path) for path in files] == TITLES
    for path in files:
        assert not re.search(r'[<>:"/\\|?*\x00-\x1f\x7f]', path.name)
        assert len(path.name.encode()) <= 255
        assert path.stem == path.stem.strip(" .")
        assert not RESERVED.fullmatch(path.name)
    assert len({path.name.casefold() for path in files}) == len(TITLES)
    sheet = (desk.release / "paper" / "credits-sheet.txt").read_text(encoding="utf-8")
    flowed = re.sub(r"\s+", " ", sheet)
    assert [title for title in TITLES if title not in flowed] == []


def test_release_title_of_odd_signs_names_its_folder_safely(desk: Desk) -> None:
    title = 'Salt/Slack: "Water"? 🌊'
    text = MANIFEST.replace("  catalogue_number: TWE-014\n", "").replace(
        "title: Songs for Slack Water", f"title: '{title}'"
    )
    document = desk.build(text)
    folder = Path(document["release_dir"])
    assert folder.parent == desk.out
    assert not re.search(r'[<>:"/\\|?*]', folder.name)
    (first, *_) = sorted((folder / "download" / "flac-16").iterdir())
    assert mutagen.File(first).tags["album"] == [title]


@pytest.mark.parametrize("title", ["Pink 🩷", "Shaking 🫨", "Moose 🫎"])
def test_emoji_younger_than_the_interpreter_are_taken(desk: Desk, title: str) -> None:
    """Signs of Unicode 15.0 (2022), which Python 3.11's table does not know yet."""
    source = load(desk.write(MANIFEST.replace("Low Lantern", title)))
    assert source.manifest.tracks[0].title == title


@pytest.mark.parametrize("written", ['"Low\\nLantern"', '"Low\\r\\nLantern"', '"Low\\LLantern"'])
def test_line_break_in_a_title(desk: Desk, written: str) -> None:
    text = MANIFEST.replace("title: Low Lantern", f"title: {written}")
    error = desk.refused(text, "bad-text", at="title: ", where="tracks[0].title")
    assert "line break" in error["message"]


def test_block_of_two_lines_as_a_title(desk: Desk) -> None:
    text = MANIFEST.replace("title: Low Lantern", "title: |\n      Low\n      Lantern")
    error = desk.refused(text, "bad-text", at="title: |", where="tracks[0].title")
    assert "line break" in error["message"]


@pytest.mark.parametrize("sign", ["\\0", "\\x07", "\\e", "\\t"])
def test_control_characters_in_a_title(desk: Desk, sign: str) -> None:
    text = MANIFEST.replace("title: Low Lantern", f'title: "Low{sign}Lantern"')
    error = desk.refused(text, "bad-text", at="title: ", where="tracks[0].title")
    assert "U+00" in error["message"]


@pytest.mark.parametrize("written", ['""', '"  "', "''"])
def test_title_of_nothing(desk: Desk, written: str) -> None:
    text = MANIFEST.replace("title: Low Lantern", f"title: {written}")
    desk.refused(text, "bad-text", at="title: ", where="tracks[0].title")
