"""The record of checked artwork: kept by `artwork`, held against later text by check and build."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from desk import Desk

from assembler import check, verify
from assembler.manifest import load
from assembler.sleeve.checked_artwork import changed_texts

pytestmark = pytest.mark.usefixtures("in_this_process")
MANIFEST = """\
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
  barcode: "2000000000145"
  p_line: 2027 Tidewrack Editions
download: {formats: [flac-16]}
sleeve: {package: jewel_case}
tracks:
- {title: Low Lantern, audio: a.wav, composers: [Ines Falk]}
- {title: Net Loft, audio: a.wav, end: 5, isrc: AA-6Q7-27-00002}
credits: [{name: Mattis Oren, roles: [harmonium]}]
"""
PARTS = ["booklet", "disc-label", "tray-card"]


def made(desk: Desk) -> tuple[Path, list[Path]]:
    """Build the templates, which serve as artwork."""
    desk.sound("a.wav", np.random.default_rng(20).normal(0, 0.05, (6 * 44100, 2)))
    path = desk.write(MANIFEST)
    paper(desk, path)
    return path, sorted((desk.release / "paper" / "templates").iterdir())


def paper(desk: Desk, path: Path) -> dict[str, Any]:
    code, report = desk.json("build", path, "--only", "paper", "--out", desk.out)
    assert code == 0, report
    return json.loads((desk.release / "report.json").read_text(encoding="utf-8"))


def said(path: Path, code: str = "artwork-out-of-date") -> list[str]:
    return [found.message for found in check(load(path)).findings if found.code == code]


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_a_later_edit_of_the_text_asks_for_another_check(desk: Desk) -> None:
    path, files = made(desk)
    assert "artwork" not in json.loads((desk.release / "report.json").read_text(encoding="utf-8"))
    code, checked = desk.json("artwork", path, *files)
    assert (code, checked["record"]) == (0, str(path.with_name("songs.artwork.json")))
    record = json.loads(Path(checked["record"]).read_text(encoding="utf-8"))
    assert sorted(record["parts"]) == PARTS
    assert ["duration of track 2", "0:05"] in record["parts"]["tray-card"]["texts"]

    report = paper(desk, path)
    entries = {one["part"]: one for one in report["artwork"]}
    assert sorted(entries) == PARTS
    for part, file in zip(PARTS, files, strict=True):
        one = entries[part]
        assert one["files"] == {file.name: hashlib.sha256(file.read_bytes()).hexdigest()}
        assert (one["errors"], one["changes"]) == (0, [])
    assert said(path) == []

    edit(path, "title: Net Loft", "title: Net Lofts")
    (message,) = said(path)
    assert message == (
        "The sleeve was checked against other text: check the artwork again. Changed since: "
        "title of track 2 “Net Loft”, now “Net Lofts” (tray-card)"
    )
    report = paper(desk, path)
    assert "artwork-out-of-date" in {found["code"] for found in report["findings"]}
    changes = {one["part"]: one["changes"] for one in report["artwork"]}
    assert changes["tray-card"] == ["title of track 2 “Net Loft”, now “Net Lofts”"]
    assert changes["disc-label"] == []
    text = (desk.release / "report.txt").read_text(encoding="utf-8")
    assert "text since then   title of track 2 “Net Loft”, now “Net Lofts”" in text
    assert entries["tray-card"]["files"]["tray-card.pdf"] in text
    assert verify(desk.release).ok

    tray_card = desk.release / "paper" / "templates" / "tray-card.pdf"
    assert desk.json("artwork", path, tray_card)[0] == 0
    assert said(path) == []
    edit(path, "end: 5", "end: 4")
    assert "duration of track 2 “0:05”, now “0:04” (tray-card)" in said(path)[0]


def test_what_the_sleeve_does_not_carry_may_change(desk: Desk) -> None:
    path, files = made(desk)
    desk.json("artwork", path, *files)
    edit(path, "isrc: AA-6Q7-27-00002", "isrc: AA-6Q7-27-00003, trim: -1")
    assert said(path) == []
    edit(path, "2027 Tidewrack", "2028 Tidewrack")
    assert said(path)[0].endswith("now “℗ 2028 Tidewrack Editions” (tray-card, disc-label)")


def test_errors_are_kept_and_a_part_that_cannot_be_read_is_not(desk: Desk) -> None:
    path, files = made(desk)
    broken = desk.folder / "disc-label.pdf"
    broken.write_bytes(b"%PDF-1.7 nothing")
    edit(path, "title: Net Loft", "title: Net Lofts")
    code, checked = desk.json("artwork", path, files[2], broken)
    record = json.loads(Path(checked["record"]).read_text(encoding="utf-8"))
    assert code == 1
    assert [*record["parts"]] == ["tray-card"]
    assert record["parts"]["tray-card"]["errors"] == 1
    assert "tray-card: 1 error" in said(path, "artwork-with-errors")[0]


def test_a_damaged_record_is_one_warning(desk: Desk) -> None:
    desk.sound("a.wav", np.zeros((6 * 44100, 2)) + 0.01)
    path = desk.write(MANIFEST)
    path.with_name("songs.artwork.json").write_text('{"artwork": 1, "parts": {"booklet": 3}}')
    (message,) = said(path, "unreadable-artwork-record")
    assert "songs.artwork.json can't be read" in message


def test_changes_are_listed_by_what_they_are() -> None:
    then = (("credit", "A – harmonium"), ("© line", "© 2026"), ("title of track 1", "One"))
    now = (("credit", "B – harmonium"), ("title of track 1", "One"), ("barcode", "2000000000145"))
    assert changed_texts(then, now) == [
        "credit “A – harmonium”, now “B – harmonium”",
        "© line “© 2026”, no longer",
        "barcode “2000000000145” is new",
    ]
