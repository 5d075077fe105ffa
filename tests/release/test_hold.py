"""The approved sound stays: one mix of twelve is replaced, and the other eleven null.

Readings: ffmpeg's ebur128 (BS.1770); files are compared as libsndfile decodes them.
"""

from __future__ import annotations

import html
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import yaml
from made_music import KINDS, made_music
from outside import ebur128

from assembler import FindingsError, build, check, load, verify
from assembler.commands.main import main
from assembler.compare.comparison import compare

pytestmark = pytest.mark.thorough

RATE_HZ = 44100
LENGTH_S = 4
TITLES = [f"Piece {number}" for number in range(1, 13)]
LEVELS_DB = (0, 3, -6, -2, -8, -1, -4, -7, -5, -2.5, -9, -3.5)
REPLACED = 1
"""Index of the loudest mix, which an album match depends on."""


def peaking(kind: str, seed: int, peak: float) -> Any:
    """Return made music with a peak."""
    music = made_music(kind, LENGTH_S, RATE_HZ, seed)
    return music * (peak / float(np.abs(music).max()))


def mix(index: int) -> Any:
    """Return a piece of made music at the level that the mix engineer left it at."""
    return peaking(list(KINDS)[index % len(KINDS)], index, 0.5 * 10 ** (LEVELS_DB[index] / 20))


def content(**level: Any) -> dict[str, Any]:
    """Return a manifest of twelve pieces."""
    return {
        "release": {
            "artist": "Halden Ferry Singers",
            "title": "Twelve Tides",
            "catalogue_number": "TWE-040",
        },
        "level": {"match": "album", "target": -16, "ceiling": -1, **level},
        "download": {"formats": ["flac-24", "mp3-320"]},
        "tracks": [{"title": title, "audio": f"{i}.wav"} for i, title in enumerate(TITLES)],
    }


def write(folder: Path, manifest: dict[str, Any]) -> Path:
    path = folder / "twelve.yaml"
    path.write_text(yaml.safe_dump(manifest, sort_keys=False), encoding="utf-8")
    return path


def answered(release: Path, *, unticked: tuple[int, ...] = ()) -> dict[str, Any]:
    """Return what the page would save if all but some tracks were ticked."""
    report = json.loads((release / "report.json").read_text(encoding="utf-8"))

    def verdict(key: str, title: str = "", *, approved: bool = True) -> dict[str, Any]:
        return {"key": key, "title": title, "approved": approved, "remark": ""}

    numbers = range(1, len(report["tracks"]) + 1)
    return {
        "approval": 1,
        "release": report["name"],
        "proof_of": report["proof_of"],
        "approved": not unticked,
        "name": "Ines Falk",
        "date": "2026-11-27",
        "remark": "",
        "tracks": [
            verdict(str(n), track["title"], approved=n not in unticked)
            for n, track in zip(numbers, report["tracks"], strict=True)
        ],
        "joins": [verdict(f"{n:02d}-{n + 1:02d}") for n in numbers[:-1]],
        "parts": [verdict("words"), verdict("levels")],
        "sound": report["sound"],
    }


@pytest.fixture(scope="module")
def approved_release(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with twelve mixes, their manifest, the release in `approved`, and its approval."""
    folder = tmp_path_factory.mktemp("twelve")
    for index in range(12):
        soundfile.write(folder / f"{index}.wav", mix(index), RATE_HZ, subtype="PCM_24")
    built = build(load(write(folder, content())), folder / "approved")
    saved = folder / "saved.json"
    saved.write_text(json.dumps(answered(built.release_dir)), encoding="utf-8")
    assert main(["approve", str(saved), str(folder / "twelve.yaml")]) == 0
    return folder


@pytest.fixture
def desk(approved_release: Path, tmp_path: Path) -> Iterator[Path]:
    """A copy of that folder in which mixes can be replaced."""
    folder = tmp_path / "desk"
    shutil.copytree(approved_release, folder)
    yield folder
    shutil.rmtree(folder)


def replace_mix(folder: Path, level_db: float = -5.4, seed: int = 99) -> None:
    """Replace the loudest mix by another recording, at another level."""
    other = peaking("strings", seed, 0.5 * 10 ** (level_db / 20))
    soundfile.write(folder / f"{REPLACED}.wav", other, RATE_HZ, subtype="PCM_24")


def files(release: Path, name: str) -> list[Path]:
    return sorted((release / "download" / name).iterdir())


def samples(path: Path) -> Any:
    return soundfile.read(path, dtype="int32")[0]


def findings(report: Any, code: str) -> list[str]:
    return [one.message for one in report.findings if one.code == code]


def test_one_mix_of_twelve_is_replaced_and_eleven_null(desk: Path) -> None:
    replace_mix(desk)
    before = desk / "approved" / "TWE-040"
    moved = build(load(write(desk, content())), desk / "moved")
    gains = [t["gain_db"] for t in moved.as_json()["tracks"]]
    old = [t["gain_db"] for t in json.loads((before / "report.json").read_text())["tracks"]]
    assert abs(gains[0] - old[0]) > 1, "without the hold the others move"

    held = build(load(write(desk, content(hold="approved"))), desk / "held")
    for name in ("flac-24", "mp3-320"):
        pairs = list(zip(files(before, name), files(held.release_dir, name), strict=True))
        same = [np.array_equal(samples(a), samples(b)) for a, b in pairs]
        assert same == [index != REPLACED for index in range(12)], name
    loudness = [
        ebur128(files(release, "flac-24")[REPLACED])["I"] for release in (before, held.release_dir)
    ]
    assert abs(loudness[0] - loudness[1]) <= 0.1
    (note,) = findings(held, "held")
    assert "tracks 1, 3–12: keep their approved gain" in note
    assert "track 2: replaced, matched to the approved loudness" in note
    would = {note.split(":")[0]: note for note in findings(held, "held-back")}
    change = f"{moved.report.tracks[0].gain_db - old[0]:+.2f} dB".replace("-", "−")
    assert set(would) == {"disc", "download"}
    assert f"tracks 1, 3–12 by {change}" in would["disc"]
    verified = verify(held.release_dir)
    assert verified.ok, verified.findings
    compared = compare(before, held.release_dir)
    assert (compared.tracks, compared.same_tracks) == (12, 11)


def test_a_hold_without_changes_is_the_approved_release(desk: Path) -> None:
    before = desk / "approved" / "TWE-040"
    build(load(write(desk, content())), desk / "held")
    held = build(load(write(desk, content(hold="approved"))), desk / "held")
    for room in ("disc", "download"):
        for path in sorted((before / room).rglob("*")):
            if path.is_file():
                again = held.release_dir / path.relative_to(before)
                assert path.read_bytes() == again.read_bytes(), path
    assert findings(held, "approved")
    assert all("no gain would change" in text for text in findings(held, "held-back"))
    reasons = {text for name, text in held.reasons.items() if name.endswith((".flac", ".mp3"))}
    assert reasons == {"made before with the same approval"}
    assert not [task for task in held.tasks if task.startswith(("match", "master", "mp3"))]


def test_identity_is_by_sound_and_not_by_number(desk: Path) -> None:
    manifest = content(hold="approved")
    tracks = manifest["tracks"]
    tracks.insert(0, tracks.pop(7))  # moved
    tracks[3]["title"] = "Another Name"  # renamed: it was the third
    tracks[5]["trim"] = 1.5  # it was the fifth
    del tracks[11]
    soundfile.write(desk / "new.wav", peaking("plucked", 7, 0.02), RATE_HZ, subtype="PCM_24")
    tracks.append({"title": "Coda", "audio": "new.wav"})
    held = build(load(write(desk, manifest)), desk / "held")
    approved = json.loads((desk / "approved/TWE-040/report.json").read_text())["sound"]
    gains = {one.name: one.gains_db for one in held.report.sound.masters}
    for master in approved["masters"]:
        old, new = master["gains_db"], gains[master["name"]]
        order = [7, 0, 1, 2, 3, 4, 5, 6, 8, 9, 10]
        changes = [1.5 if place == 4 else 0.0 for place in order]
        assert list(new[:11]) == [old[p] + c for p, c in zip(order, changes, strict=True)]
        assert new[11] == master["album_gain_db"], "a new track gets the held album's gain"
    assert [track.hold.kind for track in held.report.tracks] == ["same"] * 11 + ["new"]
    (note,) = findings(held, "held")
    assert "no longer there: Piece 12" in note
    (trim,) = findings(held, "held-trim")
    assert "+1.50 dB" in trim


def test_a_new_track_is_not_louder_than_the_held_album(desk: Path) -> None:
    manifest = content(hold="approved")
    soundfile.write(desk / "new.wav", peaking("dense", 3, 0.98), RATE_HZ, subtype="PCM_24")
    manifest["tracks"].append({"title": "Coda", "audio": "new.wav"})
    held = build(load(write(desk, manifest)), desk / "held", only=["download"])
    read = [ebur128(path)["I"] for path in files(held.release_dir, "flac-24")]
    assert read[12] <= max(read[:12]) + 0.1
    assert read[12] >= max(read[:12]) - 0.5


def test_check_says_what_is_held(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    replace_mix(desk)
    path = write(desk, content(hold="approved", target=-14))
    capsys.readouterr()
    assert main(["check", str(path), "--json"]) == 0
    found = {f["code"]: f["message"] for f in json.loads(capsys.readouterr().out)["findings"]}
    assert "as approved by Ines Falk on 2026-11-27" in found["held"]
    assert "track 2: replaced" in found["held"]
    assert "target −16.0 (now −14.0)" in found["held-level-changed"]
    assert "not determined" in findings(check(load(path)), "held")[0]


def test_an_unticked_track_is_named(desk: Path) -> None:
    approval = desk / "twelve.approval.json"
    saved = answered(desk / "approved" / "TWE-040", unticked=(6,))
    approval.write_text(json.dumps(saved), encoding="utf-8")
    held = build(load(write(desk, content(hold="approved"))), desk / "held", only=["paper"])
    (warning,) = findings(held, "held-not-ticked")
    assert warning.startswith("track 6: held, but not ticked")


@pytest.mark.parametrize(
    ("change", "code", "text"),
    [
        (lambda saved: saved.pop("sound"), "approval-without-gains", "send out the proof of a new"),
        (lambda saved: saved.update(sound=3), "no-approval", "not an approval file"),
        (lambda saved: saved["sound"]["masters"][0]["gains_db"].pop(), "no-approval", "one gain"),
        (None, "no-approval", "there is no twelve.approval.json: store the artist's file"),
    ],
)
def test_an_approval_without_gains_is_refused(
    desk: Path, change: Any, code: str, text: str
) -> None:
    approval = desk / "twelve.approval.json"
    saved = json.loads(approval.read_text(encoding="utf-8"))
    if change is None:
        approval.unlink()
    else:
        change(saved)
        approval.write_text(json.dumps(saved), encoding="utf-8")
    with pytest.raises(FindingsError) as refused:
        build(load(write(desk, content(hold="approved"))), desk / "held")
    (error,) = [one for one in refused.value.findings if one.severity == "error"]
    assert (error.code, error.where) == (code, "level.hold")
    assert text in error.message
    assert not (desk / "held").exists()


def changes(report: Any) -> list[str]:
    """Return what the page says of changes; verify must agree with it."""
    page = (report.release_dir / "proof" / "index.html").read_text(encoding="utf-8")
    assert "What changed since the proof you saw" in page
    assert all(html.escape(text, quote=False) in page for text in report.report.changes)
    verified = verify(report.release_dir)
    assert verified.ok, verified.findings
    return report.report.changes


def test_the_page_says_what_changed_since_the_answer(desk: Path) -> None:
    first = json.loads((desk / "approved/TWE-040/report.json").read_text())["changes"]
    assert first == ["Not determined: no answer to an earlier proof is kept here"]
    replace_mix(desk)
    manifest = content(hold="approved")
    manifest["tracks"][8]["trim"] = -1.5
    held = build(load(write(desk, manifest)), desk / "approved")
    other, level, same, texts = changes(held)
    assert other.startswith("Track 2, Piece 2: residual peaks at ")
    assert level == "Track 9, Piece 9: only the level changed (−1.50 dB, nulls)"
    assert same == "Tracks 1, 3–8, 10–12: the audio nulls: no sample has changed"
    assert texts == "Not determined whether credits or sleeve text have changed: read them again"

    manifest["text"] = {"thanks": "The ferrymen."}  # the release that was heard is replaced now
    assert changes(build(load(write(desk, manifest)), desk / "approved")) == [
        other,
        level,
        same,
        texts,
    ]


def test_changes_without_the_release_that_was_heard(desk: Path) -> None:
    replace_mix(desk, seed=98)
    manifest = content(hold="approved")
    del manifest["tracks"][11]
    manifest["tracks"][0]["title"] = "Another Name"
    held = build(load(write(desk, manifest)), desk / "elsewhere")
    named, other, last, same, gone, _ = changes(held)
    assert named == "Track 1, Another Name: its title was Piece 1"
    unknown = "its audio or the gap after it has changed; how is not determined, since the release"
    assert other.startswith(f"Track 2, Piece 2: {unknown}")
    assert last.startswith(f"Track 11, Piece 11: {unknown}"), "no gap follows it any more"
    assert same == "Tracks 1, 3–10: the audio nulls: no sample has changed"
    assert gone == "No longer on the release: Piece 12"


def test_an_answered_proof_and_other_texts(desk: Path) -> None:
    (nothing,) = changes(build(load(write(desk, content())), desk / "again"))
    assert nothing == "Nothing: this is the proof that was answered by Ines Falk on 2026-11-27"
    texts = changes(build(load(write(desk, content() | {"text": {"notes": "x"}})), desk / "again"))
    assert texts == [
        "Tracks 1–12: the audio nulls: no sample has changed",
        "Titles, order, gaps, credits or sleeve text have changed: read them again",
    ]
