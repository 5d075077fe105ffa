"""Hundreds of broken manifests: each fault is reported in one line, and nothing is written. YAML
1.2.2 (yaml.org/spec/1.2.2); invalid UTF-8: The Unicode Standard, table 3-7 (both from memory)."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import SequenceMatcher
from pathlib import Path

import pytest
import yaml
from bad_input.broken_manifests import (
    CORPUS,
    FULL,
    MISSPELT,
    by_hand,
    by_mutation,
    wrong_values,
)
from desk import Desk, hum

from assembler.manifest.model import Manifest

KNOWN = dict(by_hand()) | dict(wrong_values())
BY_CHANCE = dict(by_mutation())


LINES_ELSEWHERE = {"a quote without end": 39, "no tracks": 1, "3000 braces": 0}
"""A quote ends with the file, a missing part belongs to the whole, and depth has no line."""


def lines_that_differ(text: bytes) -> range:
    """Return the lines that are not the good manifest's, and one after them."""
    good, broken = FULL.encode().split(b"\n"), text.split(b"\n")
    steps = SequenceMatcher(None, good, broken, autojunk=False).get_opcodes()
    places = [(first, last) for step, _, _, first, last in steps if step != "equal"]
    return range(places[0][0] + 1, places[-1][1] + 3)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two recordings, which nothing here may change."""
    folder = tmp_path_factory.mktemp("manifests")
    made = Desk(folder, None)  # type: ignore[arg-type]
    made.sound("a.wav", hum())
    made.sound("b.wav", hum(hz=330))
    return folder


@pytest.fixture
def wide(folder: Path, capsys: pytest.CaptureFixture[str]) -> Iterator[Desk]:
    """A desk in that folder."""
    yield Desk(folder, capsys)
    assert sorted(path.name for path in folder.iterdir()) == ["a.wav", "b.wav", "songs.yaml"]


def test_the_manifest_without_its_fault_is_good(wide: Desk) -> None:
    assert wide.reported_clearly("check", wide.write(FULL)) == (0, [])


@pytest.mark.parametrize("name", KNOWN)
def test_a_known_fault_is_reported(wide: Desk, name: str) -> None:
    path = wide.write(KNOWN[name])
    code, errors = wide.reported_clearly("check", path)
    assert code == 1
    assert all(error["file"] == str(path) for error in errors)
    lines = [LINES_ELSEWHERE[name]] if name in LINES_ELSEWHERE else lines_that_differ(KNOWN[name])
    assert any(error["line"] in lines for error in errors)


@pytest.mark.parametrize("name", list(KNOWN)[::10])
@pytest.mark.parametrize("command", ["build", "measure"])
def test_other_commands_report_the_same(wide: Desk, name: str, command: str) -> None:
    path = wide.write(KNOWN[name])
    reported = wide.reported_clearly("check", path)
    _, of_other = wide.reported_clearly(command, path)
    places = [(e["line"], e["where"], e["message"]) for e in of_other]
    assert places == [(e["line"], e["where"], e["message"]) for e in reported[1]]


@pytest.mark.parametrize("key", MISSPELT)
def test_a_typing_error_in_a_key_is_reported_with_the_right_key(wide: Desk, key: str) -> None:
    _, errors = wide.reported_clearly("check", wide.write(KNOWN[f"{key} for {MISSPELT[key]}"]))
    hints = [error["message"] for error in errors if error["code"] == "unknown-key"]
    assert [f"did you mean `{MISSPELT[key]}`" in message for message in hints] == [True]


@pytest.mark.parametrize("name", BY_CHANCE)
def test_a_random_fault_is_reported_or_harmless(wide: Desk, name: str) -> None:
    """Where no error is reported, PyYAML's loader and the schema's keys must find none either."""
    path = wide.write(BY_CHANCE[name])
    code, _ = wide.reported_clearly("check", path)
    if code == 0:
        tree = yaml.load(BY_CHANCE[name].decode("utf-8"), yaml.BaseLoader)
        assert set(tree) <= set(Manifest.model_fields)
        assert {"artist", "title"} <= set(tree["release"])
        named = [track["audio"] for track in tree["tracks"]]
        sides = [one.values() if isinstance(one, dict) else [one] for one in named]
        assert all((path.parent / name).is_file() for names in sides for name in names)


def test_random_faults_are_mostly_faults(wide: Desk) -> None:
    codes = [wide.json("check", wide.write(text))[0] for text in BY_CHANCE.values()]
    assert codes.count(1) > len(codes) / 2
    assert codes.count(0) > 5


@pytest.mark.parametrize("path", sorted(CORPUS.iterdir()), ids=lambda path: path.name)
def test_findings_of_the_fuzzer(wide: Desk, path: Path) -> None:
    wide.reported_clearly("check", wide.write(path.read_bytes()))
