"""A wrong digit hides nothing: `check` shows the running order beside what is wrong, as far as it
does not depend on it (practice; check digits: GS1 General Specifications, ISO 3901)."""

from __future__ import annotations

import pytest
from desk import MANIFEST, Desk

from assembler import FindingsError, load
from assembler.manifest import load_to_check

WRONG = MANIFEST.replace("TWE-014\n", "TWE-014\n  barcode: '2000000000146'\n")
FAULTS = {
    "barcode": WRONG,
    "ISRC": MANIFEST.replace("audio: b.wav", "audio: b.wav\n    isrc: QZ-ABC-26"),
    "date": MANIFEST.replace("TWE-014\n", "TWE-014\n  release_date: soon\n"),
    "genre": MANIFEST.replace("TWE-014\n", "TWE-014\n  genre: [a, b]\n"),
    "recorded": MANIFEST.replace("audio: b.wav", "audio: b.wav\n    recorded: 1991-13"),
}


@pytest.mark.parametrize("what", FAULTS)
def test_a_fault_beside_the_running_order_does_not_hide_it(desk: Desk, what: str) -> None:
    path = desk.write(FAULTS[what])
    with pytest.raises(FindingsError) as stopped:
        load(path)
    code, document = desk.json("check", path)
    errors = [found for found in document["findings"] if found["severity"] == "error"]
    assert (code, document["ok"]) == (1, False)
    assert errors == [finding.as_json() for finding in stopped.value.findings]
    _, right = desk.json("check", desk.write(name="right.yaml"))
    for key in ("disc", "discs"):
        assert document[key] == right[key]
    assert [t["start_frame"] for t in document["tracks"]] == [
        t["start_frame"] for t in right["tracks"]
    ]
    _, out, _ = desk.run("check", path)
    assert "Tide Table" in out
    assert "cannot be built yet" in " ".join(out.split())  # the line may wrap


def test_a_wrong_code_is_not_called_an_empty_slot(desk: Desk) -> None:
    _, document = desk.json("check", desk.write(WRONG))
    assert [f["code"] for f in document["findings"] if f["where"] == "release.barcode"] != []
    assert "empty-barcode" not in [found["code"] for found in document["findings"]]
    path = desk.write(FAULTS["ISRC"])
    _, document = desk.json("check", path)
    assert [f["where"] for f in document["findings"] if f["code"] == "empty-isrc"] == [
        "tracks[0].isrc"
    ]
    _, out, _ = desk.run("check", path)
    assert out.count("none assigned") == 1
    assert out.count("not valid") >= 1


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (MANIFEST.replace("audio: b.wav", "audio: b.wav\n    gap: soon"), "bad-time"),
        (MANIFEST.replace("audio: b.wav", "audio: b.wav\n    gapp: 0"), "unknown-key"),
        (MANIFEST.replace("  artist: Halden Ferry Singers\n", ""), "missing-key"),
        (WRONG.replace("audio: b.wav", "audio: b.wav\n    start: x"), "bad-time"),
    ],
    ids=["gap", "unknown key of a track", "no artist", "barcode and start"],
)
def test_a_fault_in_the_running_order_shows_none(desk: Desk, text: str, code: str) -> None:
    path = desk.write(text)
    with pytest.raises(FindingsError) as stopped:
        load_to_check(path)
    assert code in [finding.code for finding in stopped.value.findings]
    exit_code, document = desk.json("check", path)
    assert (exit_code, document["tracks"], document["discs"]) == (1, [], [])


def test_nothing_is_built_with_a_fault(desk: Desk) -> None:
    path = desk.write(WRONG)
    code, document = desk.json("build", path, "--out", desk.out)
    assert (code, document["made"]) == (1, [])
    assert not desk.out.exists()
