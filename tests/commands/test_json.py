"""What --json prints: keys and types."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from desk import MANIFEST, Desk, hum

FINDING = {"severity": str, "code": str, "where": str, "file": str, "line": int, "message": str}
DISC = {"frames": int, "time": str, "limit_frames": int, "fits": bool}
TRACK = {
    "number": int,
    "title": str,
    "start_frame": int,
    "frames": int,
    "gap_frames": int,
    "isrc": (str, type(None)),
}
LEVELS = {
    "integrated_lufs": (float, type(None)),
    "true_peak_dbtp": (float, type(None)),
    "sample_peak_dbfs": (float, type(None)),
}
FILE = {
    "path": str,
    "duration_s": float,
    "sample_rate_hz": int,
    "channels": int,
    **LEVELS,
    "max_momentary_lufs": (float, type(None)),
    "max_short_term_lufs": (float, type(None)),
    "loudness_range_lu": (float, type(None)),
}
BUILT = {
    "number": int,
    "title": str,
    "gain_db": float,
    "disc": dict,
    "download": dict,
    "most_limiting_db": float,
}


def holds(document: dict[str, Any], kinds: dict[str, Any]) -> None:
    """Check that a document has these keys, and values of these kinds."""
    assert set(kinds) <= set(document)
    odd = {key: document[key] for key, kind in kinds.items() if not isinstance(document[key], kind)}
    assert odd == {}


def strict(text: str) -> Any:
    """Read a JSON document that holds nothing beside JSON (RFC 8259 has no NaN)."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    return json.loads(text, parse_constant=refuse)


def printed(desk: Desk, *arguments: str | Path) -> tuple[int, Any]:
    code, out, _ = desk.run(*arguments, "--json")
    return code, strict(out)


def test_check(desk: Desk) -> None:
    text = MANIFEST + "    isrc: AA-6Q7-20-00047\n    version: live\n"
    code, document = printed(desk, "check", desk.write(text))
    assert code == 0
    holds(document, {"ok": bool, "findings": list, "disc": dict, "tracks": list})
    assert document["ok"] is True
    holds(document["disc"], DISC)
    for track in document["tracks"]:
        holds(track, TRACK)
    for finding in document["findings"]:
        holds(finding, FINDING)
        assert finding["severity"] in ("warning", "note")
    assert [track["title"] for track in document["tracks"]] == ["Low Lantern", "Tide Table (live)"]
    assert [track["isrc"] for track in document["tracks"]] == [None, "AA6Q72000047"]
    assert document["disc"] == document["disc"] | {
        "frames": 12 * 75,
        "time": "00:12:00",
        "limit_frames": 359775,
        "fits": True,
    }


def test_check_adds_up(desk: Desk) -> None:
    tracks = "".join(
        f"  - title: Piece {n}\n    audio: a.wav\n    start: 0.{n}\n    gap: {gap}\n"
        for n, gap in enumerate(["2.5", "0", "0.35", "1/3", "0", "0:01.999"])
    ).replace("1/3", "0.333")
    head = MANIFEST[: MANIFEST.index("tracks:")]
    code, document = printed(desk, "check", desk.write(f"{head}tracks:\n{tracks}"))
    assert code == 0
    places = document["tracks"]
    assert [place["number"] for place in places] == [1, 2, 3, 4, 5, 6]
    stored = 188 - 150  # of 2.5 s, what is more than the 2 s before the image
    assert (places[0]["start_frame"], places[0]["gap_frames"]) == (stored, 188)
    for before, place in pairwise(places):
        end = before["start_frame"] + before["frames"]
        assert end + place["gap_frames"] == place["start_frame"]
    assert places[-1]["start_frame"] + places[-1]["frames"] == document["disc"]["frames"]
    inside = stored + sum(p["frames"] + p["gap_frames"] for p in places) - 188
    assert inside == document["disc"]["frames"]
    assert [place["gap_frames"] == 0 for place in places] == [
        False,
        True,
        False,
        False,
        True,
        False,
    ]


def test_check_of_a_bad_manifest(desk: Desk) -> None:
    path = desk.write(MANIFEST.replace("title: Low Lantern", "titel: Low Lantern"))
    code, document = printed(desk, "check", path)
    assert code == 1
    assert {"ok", "findings", "disc", "tracks"} <= set(document)
    assert document["ok"] is False
    for finding in document["findings"]:
        holds(finding, FINDING)
        assert finding["file"] == str(path)
        assert finding["line"] > 0


def test_check_of_a_missing_recording(desk: Desk) -> None:
    code, document = printed(desk, "check", desk.write(MANIFEST.replace("b.wav", "gone.wav")))
    assert code == 1
    assert {"ok", "findings", "disc", "tracks"} <= set(document)
    assert document["ok"] is False
    assert "missing-file" in [finding["code"] for finding in document["findings"]]


def test_measure_files(desk: Desk) -> None:
    mono = desk.sound("m.wav", hum(5, 44100), 44100)
    stereo = desk.sound("c.wav", np.tile(hum(5, 44100)[:, None], 2), 44100)
    code, document = printed(desk, "measure", mono, stereo)
    assert code == 0
    assert set(document) == {"files"}
    first, second = document["files"]
    holds(first, FILE)
    holds(second, FILE)
    assert (first["path"], first["channels"], first["sample_rate_hz"]) == (
        str(mono),
        1,
        44100,
    )
    assert (second["channels"], second["sample_rate_hz"], second["duration_s"]) == (2, 44100, 5.0)
    assert first["integrated_lufs"] == second["integrated_lufs"], "mono is as it is delivered"
    for file in (first, second):
        assert file["sample_peak_dbfs"] == pytest.approx(20 * math.log10(0.2), abs=0.02)
        assert file["true_peak_dbtp"] == pytest.approx(20 * math.log10(0.2), abs=0.1)


@pytest.mark.parametrize("samples", [np.zeros(5 * 8000), np.zeros(80)])
def test_measure_of_silence_gives_null(desk: Desk, samples: np.ndarray) -> None:
    path = desk.sound("silence.wav", samples)
    code, document = printed(desk, "measure", path)
    (file,) = document["files"]
    assert code == 0
    holds(file, FILE)
    assert [file[key] for key in FILE if key.endswith(("_lufs", "_dbtp", "_dbfs"))] == [None] * 5


def test_measure_a_manifest(desk: Desk) -> None:
    path = desk.write(MANIFEST + "    start: 0.5\n    end: 4.5\n    trim: 6\n")
    code, document = printed(desk, "measure", path)
    assert code == 0
    for file in document["files"]:
        holds(file, FILE)
    assert [file["duration_s"] for file in document["files"]] == [5.0, 4.0]
    levels = [file["integrated_lufs"] for file in document["files"]]
    assert levels[0] == pytest.approx(levels[1], abs=0.5)


@pytest.mark.parametrize("name", ["gone.wav", "notes.wav", "nan.wav"])
def test_measure_of_what_can_not_be_read(desk: Desk, name: str) -> None:
    (desk.folder / "notes.wav").write_text("no sound")
    desk.sound("nan.wav", np.full(8000, np.nan), subtype="FLOAT")
    code, document = printed(desk, "measure", desk.folder / "a.wav", desk.folder / name)
    assert (code, document["ok"]) == (1, False)
    (finding,) = document["findings"]
    holds(finding, FINDING)
    assert name in finding["message"]


def test_build(desk: Desk) -> None:
    code, document = printed(desk, "build", desk.write(), "--out", desk.out)
    assert code == 0
    holds(
        document,
        {
            "ok": bool,
            "findings": list,
            "release_dir": str,
            "made": list,
            "reused": list,
            "tracks": list,
        },
    )
    assert Path(document["release_dir"]) == desk.release
    for track in document["tracks"]:
        holds(track, BUILT)
        holds(track["disc"], LEVELS)
        holds(track["download"], LEVELS)
    for finding in document["findings"]:
        holds(finding, FINDING)
    inside = {
        p.relative_to(desk.release).as_posix() for p in desk.release.rglob("*") if p.is_file()
    }
    listed = set(document["made"]) | set(document["reused"])
    assert listed <= inside
    assert inside - listed <= {"report.json", "report.txt", "manifest.yaml", "SHA256SUMS"}
    report = strict((desk.release / "report.json").read_text(encoding="utf-8"))
    assert report["tracks"] == document["tracks"]


def test_build_of_a_bad_manifest(desk: Desk) -> None:
    code, document = printed(desk, "build", desk.write("release:\n"), "--out", desk.out)
    assert (code, document["ok"]) == (1, False)
    assert {"release_dir", "made", "reused", "tracks"} <= set(document)
    assert not desk.out.exists()


def test_verify_and_draft_and_schema_print_one_document(desk: Desk) -> None:
    desk.build(MANIFEST, "--only", "paper")
    code, document = printed(desk, "verify", desk.release)
    assert (code, document["ok"]) == (0, True)
    code, document = printed(desk, "draft", desk.folder, "--out", desk.folder / "m.yaml")
    assert (code, document["ok"], document["manifest"]) == (0, True, str(desk.folder / "m.yaml"))
    code, document = printed(desk, "schema")
    assert (code, document["title"]) == (0, "Manifest")


def test_verify_of_no_release(desk: Desk) -> None:
    code, document = printed(desk, "verify", desk.folder)
    assert (code, document["ok"]) == (1, False)
    assert str(desk.folder) in document["findings"][0]["message"]
