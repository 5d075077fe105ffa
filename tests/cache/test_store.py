"""The cache: what an edit costs, what a damaged or lost entry costs, nothing else.

What must be made again after an edit follows from what each deliverable depends on.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assembler import AssemblerError, build, load, verify
from assembler.cache.folder import CacheFolder, cache_key
from assembler.commands.main import main
from assembler.digest import file_digest
from assembler.finished.release_folder import read_checksums
from assembler.release.build_report import BuildReport
from assembler.release.progress import Step

RATE_HZ = 44100
MANIFEST = """\
release: {artist: A, title: B, catalogue_number: T}
level: {match: track, target: -20}
download: {formats: [flac-16, mp3-320]}
tracks:
- {title: One, audio: a.wav}
- {title: Two, audio: b.wav}
- {title: Three, audio: c.wav}
"""


@pytest.fixture(scope="module")
def built_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three recordings, their manifest, the cache in `store` and the release in `out`."""
    folder = tmp_path_factory.mktemp("built-once")
    for n, name in enumerate("abc"):
        noise = np.random.default_rng(n).normal(0, 0.05, (5 * RATE_HZ, 2))
        soundfile.write(folder / f"{name}.wav", noise, RATE_HZ, subtype="PCM_24")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ASSEMBLER_STORE", str(folder / "store"))
        assert not built(folder).reused
    return folder


@pytest.fixture
def desk(built_once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of all this, built again: a build knows its last image by the place."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))
    shutil.copytree(built_once, tmp_path, dirs_exist_ok=True)
    built(tmp_path)
    return tmp_path


def release_of(desk: Path) -> Path:
    """Return the release that was built first."""
    return desk / "out" / "T"


def built(desk: Path, text: str = MANIFEST) -> BuildReport:
    path = desk / "T.yaml"
    path.write_text(text, encoding="utf-8")
    return build(load(path), desk / "out")


def sound_files(names: tuple[str, ...]) -> set[str]:
    """Of some files of a release, those that hold sound."""
    return {name for name in names if name.endswith((".wav", ".flac", ".mp3"))}


@pytest.mark.thorough
def test_nothing_changed_makes_no_sound_again(desk):
    digests = read_checksums(release_of(desk))
    again = built(desk)
    assert sound_files(again.made) == set()
    assert read_checksums(again.release_dir) == digests
    assert verify(again.release_dir).ok


@pytest.mark.thorough
def test_a_new_title_changes_tags_and_no_master(desk):
    image = file_digest(release_of(desk) / "disc" / "T.wav")
    report = built(desk, MANIFEST.replace("Two", "Too"))
    assert sound_files(report.made) == {
        "disc/T.flac",  # the archive has the titles too
        "download/flac-16/02 Too.flac",
        "download/mp3-320/02 Too.mp3",
    }
    assert file_digest(report.release_dir / "disc" / "T.wav") == image
    assert verify(report.release_dir).ok


@pytest.mark.thorough
def test_a_new_trim_masters_and_encodes_its_track_alone(desk, monkeypatch):
    """The others keep their sound and get new tags: the album's loudness is among them."""
    before = {name: _sound(release_of(desk), name) for name in ("01 One", "02 Two", "03 Three")}
    mastered, encoded = _counted(monkeypatch)
    report = built(desk, MANIFEST.replace("audio: b.wav", "audio: b.wav, trim: 1"))
    assert (len(mastered), len(encoded)) == (1, 1)
    for name, sound in before.items():
        assert np.array_equal(sound, _sound(report.release_dir, name)) == (name != "02 Two")
    made = sound_files(report.made)
    assert {"disc/T.wav", "disc/T.flac", "proof/joins/01-02.mp3", "proof/joins/02-03.mp3"} <= made
    work = {name for name in report.tasks if "tags of" not in name}
    assert {"match: Two", "master: Two", "mp3-320: Two"} <= work
    assert not [name for name in work if "One" in name or "Three" in name]
    assert verify(report.release_dir).ok
    assert read_checksums(report.release_dir) == from_scratch(desk, monkeypatch)


def from_scratch(desk: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """Build the same manifest with an empty cache and no last release."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(desk / "other-store"))
    return read_checksums(build(load(desk / "T.yaml"), desk / "apart").release_dir)


def _counted(monkeypatch: pytest.MonkeyPatch) -> tuple[list[object], list[object]]:
    """Count the passages that are mastered and the lossless files that are encoded."""
    from assembler.download.formats import encode
    from assembler.mastering.render import master
    from assembler.release.tasks import downloads, finisher

    mastered: list[object] = []
    encoded: list[object] = []
    monkeypatch.setattr(finisher, "master", lambda *a: mastered.append(a) or master(*a))
    monkeypatch.setattr(downloads, "encode", lambda *a: encoded.append(a) or encode(*a))
    return mastered, encoded


def _sound(release: Path, name: str) -> np.ndarray:
    return soundfile.read(release / "download" / "flac-16" / f"{name}.flac")[0]


@pytest.mark.thorough
def test_a_new_gap_changes_the_image_and_the_file_before_it(desk, monkeypatch):
    before = soundfile.read(release_of(desk) / "download" / "flac-16" / "03 Three.flac")[0]
    report = built(desk, MANIFEST.replace("audio: b.wav", "audio: b.wav, gap: 3"))
    made = sound_files(report.made)
    assert {"disc/T.wav", "disc/T.flac", "download/flac-16/01 One.flac"} <= made
    after = soundfile.read(report.release_dir / "download" / "flac-16" / "03 Three.flac")[0]
    np.testing.assert_array_equal(before, after)
    assert verify(report.release_dir).ok
    assert read_checksums(report.release_dir) == from_scratch(desk, monkeypatch)


@pytest.mark.thorough
def test_an_image_is_not_pieced_together_from_one_that_was_edited(desk, monkeypatch):
    """Even where size and time of the file are set back; and the edited file is kept."""
    image = release_of(desk) / "disc" / "T.wav"
    status = image.stat()
    with image.open("r+b") as file:
        file.seek(1000)
        file.write(b"edited")
    os.utime(image, ns=(status.st_atime_ns, status.st_mtime_ns))
    report = built(desk, MANIFEST.replace("audio: b.wav", "audio: b.wav, trim: 1"))
    assert b"edited" not in (report.release_dir / "disc" / "T.wav").read_bytes()
    assert read_checksums(report.release_dir) == from_scratch(desk, monkeypatch)
    assert b"edited" in (desk / "out" / "T.kept" / "disc" / "T.wav").read_bytes()


@pytest.mark.thorough
def test_the_cache_holds_less_than_the_release(desk):
    """Encoded files, gains and readings; no raw PCM."""
    cached = sum(path.stat().st_size for path in (desk / "store").glob("??/*"))
    files = [path for path in release_of(desk).rglob("*") if path.is_file()]
    delivered = sum(path.stat().st_size for path in files)
    assert cached < delivered


@pytest.mark.thorough
def test_a_damaged_entry_is_made_again(desk):
    digests = read_checksums(release_of(desk))
    entries = [p for p in (desk / "store").rglob("*") if p.is_file() and not p.suffix]
    assert len(entries) > 10
    for entry in entries:
        content = bytearray(entry.read_bytes())
        content[len(content) // 2] ^= 0x10
        entry.unlink()  # the release has the same file
        entry.write_bytes(content)
    again = built(desk)
    assert read_checksums(again.release_dir) == digests
    assert verify(again.release_dir).ok


@pytest.mark.thorough
def test_a_peak_that_is_lost_is_measured_as_it_was(desk):
    """One decoder for one figure: the entry of a coded file has no name that shows its kind."""
    digests = read_checksums(release_of(desk))
    peaks = [p for p in (desk / "store").glob("??/*") if p.stat().st_size < 30 and not p.suffix]
    peaks = [path for path in peaks if isinstance(json.loads(path.read_bytes()), float)]
    assert len(peaks) == 3
    for path in peaks:
        path.unlink()
    (desk / "out" / "T" / "report.json").touch()
    assert read_checksums(built(desk).release_dir) == digests


def test_other_content_of_a_source_is_noticed(desk):
    first = read_checksums(release_of(desk))
    noise = np.random.default_rng(9).normal(0, 0.05, (5 * RATE_HZ, 2))
    soundfile.write(desk / "a.wav", noise, RATE_HZ, subtype="PCM_24")
    again = read_checksums(built(desk).release_dir)
    changed = {name for name in first if first[name] != again[name]}
    assert {"disc/T.wav", "download/flac-16/01 One.flac"} <= changed


def test_a_source_that_changes_during_the_build_stops_it(desk):
    path = desk / "T.yaml"
    for made in ("out", "store"):
        shutil.rmtree(desk / made)

    def touch(step: Step) -> None:
        if (step.what, step.moment) == ("credits sheet", "begun"):
            with (desk / "b.wav").open("ab") as file:
                file.write(b"\0")

    with pytest.raises(AssemblerError, match=r"b\.wav: the file has changed while it was read"):
        build(load(path), desk / "out", progress=touch)
    assert not (desk / "out" / "T").exists()


@pytest.mark.thorough
def test_the_cache_shows_its_size_and_is_cleared(desk, capsys):
    assert main(["store"]) == 0
    out = capsys.readouterr().out
    assert "entries" in out
    assert str(desk / "store") in out
    assert main(["store", "--clear", "--json"]) == 0
    assert not (desk / "store").exists()
    assert verify(desk / "out" / "T").ok


def test_an_entry_is_made_once_and_kept_whole(tmp_path):
    cache = CacheFolder(tmp_path / "store")
    key = cache_key("test", 1, ["a", None])
    calls = []

    def make(path: Path) -> None:
        calls.append(path)
        path.write_bytes(b"finished")

    assert cache.file(key, make).read_bytes() == b"finished"
    assert cache.file(key, make).read_bytes() == b"finished"
    assert len(calls) == 1
    with pytest.raises(ZeroDivisionError):
        cache.file(cache_key("test", 2), lambda _: 1 / 0)
    assert not cache.has(cache_key("test", 2))
    assert cache_key("test", 1, ["a", None]) == key != cache_key("test", 1, ["b", None])
