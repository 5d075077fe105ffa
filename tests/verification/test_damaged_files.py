"""A release whose delivered files are damaged: verify and compare name them and never fail."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path

import pytest
from desk import MANIFEST, Desk, hum

from assembler.commands.main import main
from assembler.finished import finished

pytestmark = pytest.mark.thorough

FORMATS = ("flac-16", "wav-16", "mp3-320", "opus-160", "aac-256", "alac-24")


@pytest.fixture(scope="module")
def release(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A release in one file of each container."""
    desk = Desk(tmp_path_factory.mktemp("desk"), None)  # type: ignore[arg-type]
    desk.sound("a.wav", hum())
    text = MANIFEST[: MANIFEST.index("  - title: Tide")].replace("flac-16", ", ".join(FORMATS))
    path = desk.write(text.replace("download:", "disc: {make: false}\ndownload:"))
    only = ("--only", "download", "--json")
    assert main(["build", str(path), "--out", str(desk.out), *only]) == 0
    return desk.release


@pytest.mark.parametrize("name", FORMATS)
def test_a_damaged_file_is_named_in_one_line(
    release: Path, tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other"
    shutil.copytree(release, other)
    (file,) = (other / "download" / name).iterdir()
    good = file.read_bytes()
    for seed in range(4):
        chance = random.Random(f"{name} {seed}")
        bad = bytearray(good)
        for _ in range(6):
            bad[chance.randrange(min(len(bad), 2000))] = chance.choice((0, 1, 127, 255))
        if seed % 2:
            del bad[chance.randrange(60, 2000) :]
        file.write_bytes(bad)
        capsys.readouterr()
        assert main(["verify", str(other), "--json"]) == 1
        out, err = capsys.readouterr()
        findings = json.loads(out)["findings"]
        assert file.relative_to(other).as_posix() in [found["file"] for found in findings]
        assert all(len(found["message"].splitlines()) == 1 for found in findings)
        main(["compare", str(release), str(other), "--json"])
        out, more = capsys.readouterr()
        assert "a bug in this program" not in out + err + more
        assert json.loads(out)


@pytest.mark.parametrize("error", [IndexError("list index"), KeyError("©nam"), MemoryError()])
def test_whatever_a_reader_raises_names_the_file(error: Exception) -> None:
    with pytest.raises(finished.UnreadableError) as raised, finished.reading("take.ogg"):
        raise error
    assert raised.value.name == "take.ogg"
