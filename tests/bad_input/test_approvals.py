"""Approvals that do not apply to this release: of another, nameless, partial, twice, unknown.
Each is refused in one line and nothing is kept; what is kept has a day and a name. What the page
writes is read in a browser in `tests/proof`."""

from __future__ import annotations

import json
import os
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from desk import MANIFEST, Desk, contents


def verdict(key: str, **more: Any) -> dict[str, Any]:
    return {"key": key, "title": "", "approved": True, "remark": "", **more}


def approval(**more: Any) -> dict[str, Any]:
    """What the page of the desk's manifest saves, all ticked."""
    return {
        "approval": 1,
        "release": "TWE-014",
        "proof_of": "0" * 64,
        "approved": True,
        "name": "Ines Falk",
        "date": "2026-11-26",
        "remark": "",
        "tracks": [verdict("1", title="Low Lantern"), verdict("2", title="Tide Table")],
        "joins": [verdict("01-02")],
        "parts": [verdict("words"), verdict("levels")],
        **more,
    }


def saved(desk: Desk, content: dict[str, Any]) -> Path:
    path = desk.folder / "got.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def kept(desk: Desk) -> Any:
    return json.loads((desk.folder / "songs.approval.json").read_text(encoding="utf-8"))


def test_a_whole_approval_is_kept_with_its_name_and_day(desk: Desk) -> None:
    manifest = desk.write()
    code, out, err = desk.run("approve", saved(desk, approval()), manifest)
    assert (code, err) == (0, "")
    assert out.splitlines()[0] == (
        f"{desk.folder / 'songs.approval.json'}: approved by Ines Falk on 2026-11-26"
    )
    assert kept(desk) == approval()


def test_an_approval_without_a_day_is_kept_with_todays(desk: Desk) -> None:
    manifest = desk.write()
    content = approval()
    del content["date"]
    before = date.today().isoformat()
    code, document = desk.json("approve", saved(desk, content), manifest)
    assert (code, document["name"], document["open_points"]) == (0, "Ines Falk", [])
    assert document["date"] in (before, date.today().isoformat())
    assert kept(desk) == {**content, "date": document["date"]}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"release": "FOG-021"}, "approves FOG-021, but this manifest is of TWE-014"),
        ({"name": ""}, "has no name"),
        ({"name": " \t\u200b"}, "has no name"),
        ({"name": "\x1b\x07"}, "has no name"),
        ({"tracks": []}, "tracks are not the manifest's (missing: 1, 2)"),
        ({"tracks": [verdict("2")]}, "(missing: 1)"),
        ({"tracks": [verdict("1"), verdict("2"), verdict("2")]}, "(twice: 2)"),
        ({"tracks": [verdict("1"), verdict("2"), verdict("3")]}, "(unknown: 3)"),
        ({"tracks": [verdict("1"), verdict("two")]}, "(unknown: two; missing: 2)"),
        ({"tracks": [verdict("1"), verdict("2\x1b[2J")]}, "(unknown: 2<U+001B>[2J; missing: 2)"),
        ({"joins": [verdict("01-02"), verdict("01-02")]}, "joins are not the manifest's (twice:"),
        ({"joins": [verdict("02-03")]}, "joins are not the manifest's (unknown: 02-03)"),
        ({"parts": [verdict("lunch")]}, "parts are not the manifest's (unknown: lunch)"),
        ({"date": "yesterday"}, "date: "),
        ({"date": "2026-02-30"}, "date: "),
    ],
)
def test_an_approval_of_something_else_is_refused(
    desk: Desk, change: dict[str, Any], message: str
) -> None:
    manifest = desk.write()
    path = saved(desk, approval(**change))
    before = contents(desk.folder)
    code, out, err = desk.run("approve", path, manifest)
    assert (code, out) == (1, "")
    assert message in err
    assert len(err.splitlines()) == 1
    assert contents(desk.folder) == before


def test_joins_and_parts_that_are_left_out_are_open_points(desk: Desk) -> None:
    manifest = desk.write()
    code, document = desk.json("approve", saved(desk, approval(joins=[], parts=[])), manifest)
    assert code == 0
    assert document["open_points"] == [
        "join 01-02: not in the file",
        "words: not in the file",
        "levels: not in the file",
    ]


def test_joins_of_two_discs_are_named_as_on_the_page(desk: Desk) -> None:
    third = "  - title: Undertow\n    audio: a.wav\n    disc: 2\n"
    manifest = desk.write(f"{MANIFEST}{third}{third}")
    keys = {"tracks": ["1", "2", "3", "4"], "joins": ["1-01-02", "2-01-02"]}
    content = approval(**{kind: [verdict(key) for key in of] for kind, of in keys.items()})
    code, document = desk.json("approve", saved(desk, content), manifest)
    assert (code, document["open_points"]) == (0, [])


@pytest.mark.parametrize("what", ["pipe", "/dev/zero", "folder"])
def test_pipes_and_devices_are_refused_without_waiting(desk: Desk, what: str) -> None:
    manifest = desk.write()
    path = Path(what) if what.startswith("/") else desk.folder / what
    if what == "pipe":
        os.mkfifo(path)
    elif what == "folder":
        path.mkdir()
    kind = {"pipe": "pipe", "folder": "folder"}.get(what, "device")
    assert f"{path}: this is a {kind}: " in desk.error_line("approve", path, manifest)


def test_names_and_remarks_reach_the_terminal_without_sequences(desk: Desk) -> None:
    manifest = desk.write()
    evil = "Ines\x1b]0;mine\x07\x9b2J"
    content = approval(name=evil, tracks=[verdict("1", remark=evil, title=evil), verdict("2")])
    code, out, err = desk.run("approve", saved(desk, content), manifest)
    assert code == 0
    assert "track 1" in out
    assert not [sign for sign in out + err if not sign.isprintable() and sign != "\n"]
