"""Broken audio files of every format: each fault is reported in one line, at once, and
nothing is written (layouts: see `broken_audio.py`)."""

from __future__ import annotations

import functools
import json
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile
import yaml
from bad_input.broken_audio import (
    BLANK,
    SECONDS,
    Make,
    flipped,
    good_files,
    odd_things,
    other_heads,
    sparse,
    wav_headers,
)
from desk import RATE_HZ, Desk

KNOWN = [name for name, _ in (*wav_headers(), *other_heads(BLANK))]
BY_CHANCE = [name for name, _ in flipped(BLANK)]
ODD: dict[str, Make] = dict(odd_things())
STILL_GOOD = ["7 bits.wav", "a frame of 0 bytes.wav", "RF64 without its sizes.wav"]
"""What libsndfile rightly reads all the same: padded bits, and sizes that follow from others."""
REPORTED_WHEN_READ = [
    "0 bits.wav",
    "65535 bits.wav",
    "a coding that is none.wav",
    "not a number.wav",
    "infinite.wav",
    "minus infinite, double.wav",
    "beyond float.wav",
    "a hundred bytes of it.flac",
    "half of it.flac",
]
"""Faults that headers do not tell: `check` reads no sound."""


@functools.cache
def broken() -> dict[str, bytes]:
    """Return the contents of all broken files by name."""
    return dict((*wav_headers(), *other_heads(good_files()), *flipped(good_files())))


def naming(name: str) -> str:
    """Return a manifest of that file alone, whose build is quick."""
    return (
        "release: {artist: Halden Ferry Singers, title: Songs}\n"
        "disc: {make: false}\nlevel: {match: none}\ndownload: {formats: [wav-16]}\n"
        f"tracks:\n  - title: Low Lantern\n    audio: {json.dumps(name)}\n"
    )


def codes(desk: Desk, name: str) -> tuple[int, int, int]:
    """Check, measure and build with a file; give the exit codes."""
    manifest = desk.write(naming(name))
    checked, errors = desk.reported_clearly("check", manifest)
    assert [error["where"] for error in errors] == ["tracks[0].audio"] * checked
    assert all(name in error["message"] and error["line"] == 7 for error in errors)
    measured, _ = desk.reported_clearly("measure", desk.folder / name)
    command = ("build", manifest, "--out", desk.out, "--only", "download")
    built, errors = desk.reported_clearly(*command)
    assert [error["where"] for error in errors] == ["tracks[0].audio"] * built
    return checked, measured, built


@pytest.fixture
def scratch(tmp_path: Path) -> Iterator[Path]:
    """A folder whose huge files and links to devices do not outlive the test."""
    yield tmp_path
    shutil.rmtree(tmp_path)


@pytest.fixture
def empty(scratch: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    """A desk without recordings."""
    return Desk(scratch, capsys)


@pytest.mark.thorough
@pytest.mark.parametrize("suffix", BLANK)
def test_without_its_fault_each_is_good(empty: Desk, suffix: str) -> None:
    name = f"good.{suffix}"
    (empty.folder / name).write_bytes(good_files()[suffix])
    assert codes(empty, name) == (0, 0, 0)
    (made,) = empty.out.rglob("*.wav")
    assert soundfile.info(made).duration == pytest.approx(SECONDS, abs=0.2)


@pytest.mark.parametrize("name", KNOWN)
def test_a_known_fault_is_reported(empty: Desk, name: str) -> None:
    (empty.folder / name).write_bytes(broken()[name])
    reported = codes(empty, name)
    assert reported == (
        (0, 0, 0) if name in STILL_GOOD else (int(name not in REPORTED_WHEN_READ), 1, 1)
    )
    assert empty.out.exists() == (name in STILL_GOOD)


@pytest.mark.parametrize("name", ["a frame of 0 bytes.wav", "RF64 without its sizes.wav"])
def test_files_that_are_still_good_are_read_to_the_last_sample(empty: Desk, name: str) -> None:
    (empty.folder / name).write_bytes(broken()[name])
    _, document = empty.json("measure", empty.folder / name)
    assert document["files"][0]["duration_s"] == SECONDS
    assert document["files"][0]["sample_rate_hz"] == RATE_HZ


@pytest.mark.parametrize("name", BY_CHANCE)
def test_a_random_fault_is_reported_or_harmless(empty: Desk, name: str) -> None:
    (empty.folder / name).write_bytes(broken()[name])
    checked, measured, built = codes(empty, name)
    assert measured == built >= checked
    assert empty.out.exists() == (not built)
    if not built:
        (made,) = empty.out.rglob("*.wav")
        duration_s = soundfile.info(made).duration
        assert duration_s < SECONDS + 0.3
        assert duration_s > SECONDS - 0.3 or name.endswith("aac")  # ADTS tells no length


@pytest.mark.parametrize("suffix", ["wav", "aiff", "flac", "ogg", "m4a"])
def test_random_faults_are_found(empty: Desk, suffix: str) -> None:
    names = [name for name in BY_CHANCE if name.endswith(suffix)]
    for name in names:
        (empty.folder / name).write_bytes(broken()[name])
    found = [empty.json("measure", empty.folder / name)[0] for name in names]
    assert sum(found) >= 2


@pytest.mark.parametrize("name", ODD)
def test_a_file_that_is_not_audio_is_reported(empty: Desk, name: str) -> None:
    ODD[name](empty.folder / name)
    assert codes(empty, name) == (1, 1, 1)
    assert not empty.out.exists()


@pytest.mark.thorough
def test_files_that_claim_a_large_size_need_little_memory(scratch: Path) -> None:
    """What `check` and `measure` take for all of these in one process: below 300 MB."""
    for name, make in ODD.items():
        if name.startswith("1 GB"):
            make(scratch / name)
    for name in ("a form of 4 GB.wav", "data of 3 GB.wav", "an ID3 tag of 256 MB.mp3"):
        (scratch / name).write_bytes(broken()[name])
    sparse(scratch / "1 GB of form.wav", b"RIFF\0\0\0\x40WAVEfmt \0\0\0\x30\1\0\1\0")
    sparse(scratch / "256 MB of tag.mp3", b"ID3\4\0\0\x7f\x7f\x7f\x7fTIT2\x7f\x7f\x7f\x70")
    moov = b"\0\0\0\x10ftypM4A \0\0\0\0\x30\0\0\0moov\x2f\xff\xff\xf8udta\x2f\xff\xff\xf0meta"
    sparse(scratch / "1 GB of tags.m4a", moov)
    sparse(scratch / "1 GB of tags.flac", b"fLaC\4\xff\xff\xff")
    sparse(scratch / "1 GB of pages.ogg", good_files()["ogg"][:58])
    sparse(
        scratch / "1 GB of header.wma",
        bytes.fromhex("3026b2758e66cf11a6d900aa0062ce6c") + b"\xff" * 16,
    )
    tracks = "".join(
        f"- {{title: x, audio: {json.dumps(path.name)}}}\n" for path in scratch.iterdir()
    )
    manifest = scratch / "songs.yaml"
    manifest.write_text(f"release: {{artist: a, title: b}}\ntracks:\n{tracks}")
    script = (
        "import sys\n"
        "from bad_input.heavy_manifests import peak_mb\n"
        "from assembler.commands.main import main\n"
        "for command in ('check', 'measure'):\n"
        "    assert main([command, sys.argv[1]]) == 1\n"
        "print(peak_mb())\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(manifest)],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30)),
    )
    lines = done.stdout.splitlines()
    assert float(lines[-1]) < 300  # MB
    assert len([line for line in lines if line.startswith("error ")]) == 2 * tracks.count("\n")


@pytest.mark.thorough
def test_decoders_print_nothing(tmp_path: Path) -> None:
    """mpg123, in libsndfile, would write notes to standard error."""
    for name in BY_CHANCE:
        if name.endswith("mp3"):
            (tmp_path / name).write_bytes(broken()[name])
    (tmp_path / "words.mp3").write_bytes(broken()["words.mp3"])
    files = sorted(tmp_path.iterdir())
    script = (
        "import sys\n"
        "from assembler.commands.main import main\n"
        "for path in sys.argv[1:]:\n"
        "    main(['measure', path])\n"
        "print('the end', file=sys.stderr)\n"
    )
    command = [sys.executable, "-c", script, *map(str, files)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    lines = done.stderr.splitlines()
    assert lines[-1] == "the end"
    assert all(line.startswith(str(tmp_path)) for line in lines[:-1])


def test_a_folder_of_broken_files_can_be_drafted(empty: Desk) -> None:
    music = empty.folder / "music"
    music.mkdir()
    for name, content in broken().items():
        (music / name).write_bytes(content)
    for name, make in ODD.items():
        make(music / name)
    before = {path.name for path in music.iterdir()}
    code, _, err = empty.run("draft", music)
    assert (code, err) == (0, "")
    assert {path.name for path in music.iterdir()} - before == {"manifest.yaml"}
    tree = yaml.safe_load((music / "manifest.yaml").read_text(encoding="utf-8"))
    drafted = {track["audio"] for track in tree["tracks"]}
    assert drafted <= before
    assert not drafted & {"fifo.wav", "folder.wav", "loop.wav", "endless.wav"}
