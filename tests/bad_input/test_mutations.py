"""Manifests and recordings with random faults: only the project's own errors may be raised; common
practice, no source."""

from __future__ import annotations

import random
import warnings
from pathlib import Path

import pytest
import soundfile
from bad_input.broken_manifests import FULL
from desk import hum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from assembler import AssemblerError, FindingsError, check, load
from assembler.audio import open_recording, probe

JUNK = [
    "{", "}", "[", "]", "- ", ": ", "? ", "&a ", "*a", "*tape", "!x ", "!!int ", "|", ">", "'", '"',
    "#", "%", "@", "`", "---\n", "...\n", "\t", "\0", "\ufeff", "\u2028", "\x85", "\r", "~", "null",
    "[[[[[[[[", "{a: {a: {a: ", "-9999999999999999999", "1e999", "0x", "9" * 50, "nan",
    "2027-02-30",     "é" * 200, "<<: ", "\\", '"\\x00"', '"\\ud800"', "/dev/null", "../..", ".", "http://x",
]  # fmt: skip
FAULTS = ["delete", "double", "insert", "swap", "indent", "junk", "any"]


def swapped(lines: list[str], a: int, b: int) -> list[str]:
    """Exchange the values of two lines."""
    (head, colon, value), (other, other_colon, other_value) = (
        lines[a].partition(":"),
        lines[b].partition(":"),
    )
    lines = list(lines)
    lines[a], lines[b] = head + colon + other_value, other + other_colon + value
    return lines


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """Return the manifest with a few faults."""
    lines = FULL.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        a = draw(st.integers(0, len(lines) - 1))
        b = draw(st.integers(0, len(lines) - 1))
        fault = draw(
            st.sampled_from(["delete", "double", "insert", "swap", "indent", "junk", "any"])
        )
        if fault == "delete" and len(lines) > 1:
            del lines[a]
        elif fault == "double":
            lines.insert(b, lines[a])
        elif fault == "insert":
            lines.insert(a, draw(st.text(max_size=40)))
        elif fault == "swap":
            lines = swapped(lines, a, b)
        elif fault == "indent":
            lines[a] = " " * draw(st.integers(0, 8)) + lines[a].lstrip()
        else:
            place = draw(st.integers(0, len(lines[a])))
            signs = draw(st.sampled_from(JUNK) if fault == "junk" else st.text(max_size=8))
            lines[a] = lines[a][:place] + signs + lines[a][place:]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two recordings."""
    folder = tmp_path_factory.mktemp("mutations")
    soundfile.write(folder / "a.wav", hum(), 8000, subtype="PCM_16")
    soundfile.write(folder / "b.wav", hum(hz=330), 8000, subtype="PCM_16")
    return folder


def test_the_manifest_without_faults_is_good(folder: Path) -> None:
    path = folder / "good.yaml"
    path.write_text(FULL, encoding="utf-8")
    assert check(load(path)).ok


@pytest.mark.thorough
@settings(
    max_examples=200,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(text=mutated())
def test_manifests_with_faults(folder: Path, text: str) -> None:
    path = folder / "faulty.yaml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    before = sorted(folder.iterdir())
    try:
        findings = check(load(path)).findings
    except FindingsError as error:
        findings = error.findings
        assert any(finding.severity == "error" for finding in findings)
    lines = len(text.splitlines()) + 1
    for finding in findings:
        assert len(str(finding).splitlines()) == 1
        assert finding.file == str(path)
        assert 0 <= finding.line <= lines
    assert sorted(folder.iterdir()) == before


def faulty(content: bytes, chance: random.Random) -> bytes:
    """Return a file's bytes with faults in its head, or without its end."""
    changed = bytearray(content)
    if chance.random() < 0.3:
        del changed[chance.randrange(len(changed)) :]
    head = min(len(changed), 120)
    for _ in range(chance.randrange(12) if head else 0):
        changed[chance.randrange(head)] = chance.choice([0, 255, 127, 128, chance.randrange(256)])
    if head and chance.random() < 0.3:
        place = chance.randrange(head)
        del changed[place : place + chance.randrange(9)]
    return bytes(changed)


@pytest.mark.parametrize("name", ["x.wav", "x.aiff", "x.flac"])
def test_recordings_with_faults(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    soundfile.write(path, hum(), 8000, subtype="PCM_16")
    content = path.read_bytes()
    chance = random.Random(name)
    outcomes = {"read": 0, "refused": 0}
    for _ in range(40):
        path.write_bytes(faulty(content, chance))
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                info = probe(path)
                recording = open_recording((path,))
                assert recording.frames == info.frames
                end = min(recording.frames, 10**6)
                read = sum(len(block) for block in recording.blocks(0, end))
            assert read == end
            outcomes["read"] += 1
        except AssemblerError as error:
            assert str(path) in str(error)
            assert len(str(error).splitlines()) == 1
            outcomes["refused"] += 1
    assert min(outcomes.values()) > 0
