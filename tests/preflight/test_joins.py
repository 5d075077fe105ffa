"""Segues at which the processing changes: notes, and what needs none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from assembler.manifest.load import load_to_check
from assembler.preflight.check import check

COMPRESS = "compress: {threshold: -20, ratio: 2}"
DYNAMIC = (
    "equaliser: [{shape: bell, hz: 6000, db: -4, dynamic: {threshold: -30}}, "
    "{shape: notch, hz: 50}]"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("joins")
    for name in "ab":
        soundfile.write(folder / f"{name}.wav", np.full((44100 * 5, 2), 0.1), 44100)
    return folder


def findings(folder: Path, first: str, second: str) -> dict[str, str]:
    """Return the messages about two tracks, by code."""
    text = "release: {artist: Halden Ferry Singers, title: Songs for Slack Water}\ntracks:\n"
    for title, keys in (("Low Lantern", first), ("Undertow", second)):
        text += f"- {{title: {title}, {keys}}}\n"
    (folder / "m.yaml").write_text(text, encoding="utf-8")
    found = check(load_to_check(folder / "m.yaml")).findings
    return {one.code: f"{one.severity} {one.line}: {one.message}" for one in found}


@pytest.mark.parametrize(
    ("first", "second", "named"),
    [
        ("clip: 1", "clip: 1.5", "clipper"),
        (COMPRESS, "trim: 0", "compressor"),
        (DYNAMIC, "equaliser: [{shape: notch, hz: 50}]", "dynamic EQ"),
        ("trim: 0", "tone_like: 1, clip: 1", "tone match, clipper"),
    ],
)
def test_what_changes_inside_a_join_is_a_note(folder, first, second, named) -> None:
    found = findings(folder, f"audio: a.wav, {first}", f"audio: b.wav, gap: 0, {second}")
    message = found["sound-changes-in-join"]
    assert message.startswith("note 4: the sound changes inside the join with track 1")
    assert f"other settings of {named}: give both" in message


@pytest.mark.parametrize(
    "second",
    [
        f"audio: b.wav, gap: 0, clip: 1, {COMPRESS}, trim: 2",
        "audio: b.wav",
        "audio: b.wav, overlap: 1",
        "audio: b.wav, gap: 0, disc: 2",
    ],
    ids=["the same", "gap", "overlap", "another disc"],
)
def test_no_note_where_nothing_changes_inside_a_join(folder, second) -> None:
    assert "sound-changes-in-join" not in findings(
        folder, f"audio: a.wav, clip: 1, {COMPRESS}", second
    )


def test_inside_one_recording_the_compressor_is_a_warning_and_the_rest_a_note(folder) -> None:
    first, second = "audio: a.wav, end: 2", f"audio: a.wav, start: 2, gap: 0, clip: 1, {COMPRESS}"
    found = findings(folder, first, second)
    assert found["compressor-steps"].startswith("warning")
    assert "other settings of clipper: give" in found["sound-changes-in-join"]
