"""Approval files: what the page writes is kept and found; the rest is refused in one line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from proof.finished_proof import A_HASH

from assembler.errors import AssemblerError
from assembler.proof.approval import approved, read_approval, store_approval

VERDICT = {"key": "1", "title": "Low Lantern", "approved": True, "remark": ""}
GOOD: dict[str, Any] = {
    "approval": 1,
    "release": "TWE-014",
    "proof_of": A_HASH,
    "approved": True,
    "name": "Ines Falk",
    "remark": "",
    "tracks": [VERDICT],
    "joins": [{**VERDICT, "key": "01-02", "title": "", "approved": False}],
    "parts": [{**VERDICT, "key": "words", "title": "", "remark": "Å is missing\nin 5 \x1b[31m"}],
}


def read_text(folder: Path, text: str | bytes) -> Any:
    path = folder / "got.json"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_approval(path)


def test_an_approval_is_kept_beside_the_manifest_and_found(tmp_path: Path) -> None:
    manifest = tmp_path / "songs.yaml"
    assert approved(manifest) is None
    approval = read_text(tmp_path, json.dumps(GOOD))
    stored = store_approval(approval, manifest)
    assert stored == tmp_path / "songs.approval.json"
    assert approved(manifest) == approval
    first = stored.read_bytes()
    assert store_approval(approval, manifest).read_bytes() == first
    assert json.loads(first) == GOOD
    assert sorted(path.name for path in tmp_path.iterdir()) == ["got.json", "songs.approval.json"]


def test_open_points_have_no_control_characters(tmp_path: Path) -> None:
    approval = read_text(tmp_path, json.dumps({**GOOD, "approved": False, "remark": "Louder"}))
    assert list(approval.open_points()) == [
        "the release as a whole is not approved",
        "remark: Louder",
        "join 01-02: not OK",
        "sleeve text: Å is missing in 5 <U+001B>[31m",
    ]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "Expecting value"),
        ("{", "property name"),
        ("[]", "should be an object"),
        ("null", "should be an object"),
        (json.dumps({**GOOD, "approval": 2}), "approval: "),
        (json.dumps({**GOOD, "approved": "yes"}), "approved: "),
        (json.dumps({**GOOD, "approved": 1}), "approved: "),
        (json.dumps({**GOOD, "proof_of": "abc"}), "proof_of: "),
        (json.dumps({**GOOD, "extra": 1}), "extra: "),
        (json.dumps({k: v for k, v in GOOD.items() if k != "joins"}), "joins: "),
        (json.dumps({**GOOD, "remark": "x" * 10_001}), "remark: "),
        (json.dumps({**GOOD, "tracks": [{**VERDICT, "remark": None}]}), "tracks.0.remark: "),
        (json.dumps(GOOD)[:-1] + ', "approved": false}', "a key is repeated"),
        ('{"approval": ' + "[" * 100_000, ""),
    ],
)
def test_all_else_is_refused_in_one_line(tmp_path: Path, text: str | bytes, reason: str) -> None:
    with pytest.raises(AssemblerError) as refused:
        read_text(tmp_path, text)
    message = str(refused.value)
    assert message.startswith(f"{tmp_path / 'got.json'}: not an approval file: ")
    assert reason in message
    assert "\n" not in message
    assert len(message) < 500 + len(str(tmp_path))


def test_places_that_cannot_be_read_or_written(tmp_path: Path) -> None:
    with pytest.raises(AssemblerError, match="no such file"):
        read_approval(tmp_path / "nowhere.json")
    with pytest.raises(AssemblerError, match="is a folder"):
        read_approval(tmp_path)
    approval = read_text(tmp_path, json.dumps(GOOD))
    with pytest.raises(AssemblerError, match="can't be written"):
        store_approval(approval, tmp_path / "nowhere" / "songs.yaml")
