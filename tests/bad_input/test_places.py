"""Where a release may be written, and what survives there: common practice, no source."""

from __future__ import annotations

import errno
import importlib
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import NoReturn

import pytest
from desk import MANIFEST, Desk, around, contents

from assembler import build, load
from assembler.errors import AssemblerError

ROOM = importlib.import_module("assembler.release.run")
"""The module of a build's steps, to make the last of them fail."""


def failing(error: BaseException) -> object:
    def fail(*_: object, **__: object) -> NoReturn:
        raise error

    return fail


@pytest.mark.thorough
@pytest.mark.parametrize(
    "number",
    [
        "../../x",
        "..",
        ".",
        "/etc/x",
        "a/../../../b",
        "con",
        "NUL.txt",
        "\\\\server\\share",
        "C:\\x",
        "~",
        "$HOME",
        "-rf",
        "--out=x",
        "🌊",
        "x" * 300,
        "TWE.014. ",
    ],
)
def test_catalogue_number_cannot_lead_out_of_the_folder(desk: Desk, number: str) -> None:
    text = MANIFEST.replace("catalogue_number: TWE-014", f"catalogue_number: '{number}'")
    desk.write(text)
    before = around(desk)
    document = desk.build(text, "--only", "paper")
    folder = Path(document["release_dir"])
    assert folder.parent == desk.out
    assert folder.is_dir()
    assert folder.resolve().parent == desk.out.resolve()
    assert list(desk.out.iterdir()) == [folder]
    assert folder.name.lower().partition(".")[0] not in ("con", "nul", "")
    assert len(folder.name.encode()) <= 255
    assert around(desk) == before


@pytest.mark.thorough
@pytest.mark.parametrize("number", ["../../x", "ТВЭ-014", "🌊 14", "低-14"])
def test_whole_release_with_a_catalogue_number_of_odd_signs(desk: Desk, number: str) -> None:
    document = desk.build(MANIFEST.replace("TWE-014", number))
    folder = Path(document["release_dir"])
    assert folder.parent == desk.out
    assert sorted(p.name for p in desk.folder.iterdir()) == [
        "a.wav",
        "b.wav",
        "finished",
        "songs.yaml",
    ]
    assert all((folder / name).is_file() for name in document["made"])
    assert desk.run("verify", folder)[0] == 0


def test_foreign_folder_at_the_releases_place_stays(desk: Desk) -> None:
    desk.release.mkdir(parents=True)
    (desk.release / "letters.txt").write_text("Dear Oda …")
    before = contents(desk.folder)
    line = desk.error_line("build", desk.write(), "--out", desk.out)
    assert line.startswith(f"{desk.release}: exists and is not a release")
    after = contents(desk.folder)
    after.pop("songs.yaml")
    assert after == before


def test_foreign_file_at_the_releases_place_stays(desk: Desk) -> None:
    desk.out.mkdir()
    desk.release.write_text("Dear Oda …")
    line = desk.error_line("build", desk.write(), "--out", desk.out)
    assert line.startswith(f"{desk.release}: exists and is not a release")
    assert contents(desk.out) == {"TWE-014": "Dear Oda …".encode()}


def test_file_in_place_of_the_output_folder_stays(desk: Desk) -> None:
    desk.out.write_text("Dear Oda …")
    line = desk.error_line("build", desk.write(), "--out", desk.out)
    assert line == f"{desk.release}: can't be written: not a directory: choose another --out"
    assert desk.out.read_text() == "Dear Oda …"


def test_added_files_are_kept_aside_on_rebuild(desk: Desk) -> None:
    desk.build()
    (desk.release / "to the plant.txt").write_text("300 copies")
    (desk.release / "disc" / "label.pdf").write_bytes(b"%PDF")
    document = desk.build(MANIFEST.replace("Low Lantern", "Low Light"))
    aside = desk.out / "TWE-014.kept"
    assert contents(aside) == {
        "disc": None,
        "disc/label.pdf": b"%PDF",
        "to the plant.txt": b"300 copies",
    }
    (warning,) = (f for f in document["findings"] if f["code"] == "added-files-kept")
    assert "to the plant.txt" in warning["message"]
    assert not (desk.release / "to the plant.txt").exists()
    assert sorted(p.name for p in desk.out.iterdir()) == ["TWE-014", "TWE-014.kept"]


def test_added_files_of_one_name_are_all_kept(desk: Desk) -> None:
    for number in range(3):
        desk.build(MANIFEST, "--only", "paper")
        (desk.release / "note.txt").write_text(f"note {number}")
    desk.build(MANIFEST, "--only", "paper")
    notes = sorted(path.read_text() for path in (desk.out / "TWE-014.kept").iterdir())
    assert notes == ["note 0", "note 1", "note 2"]


def test_added_files_survive_where_they_cannot_be_put_aside(desk: Desk) -> None:
    desk.build(MANIFEST, "--only", "paper")
    (desk.release / "note.txt").write_text("300 copies")
    (desk.out / "TWE-014.kept").write_text("a file where the folder should be")
    desk.run("build", desk.write(), "--out", desk.out, "--only", "paper")
    assert b"300 copies" in contents(desk.out).values()


@pytest.mark.thorough
@pytest.mark.parametrize(
    "error",
    [
        RuntimeError("a bug"),
        MemoryError(),
        OSError(errno.ENOSPC, "No space left on device"),
        AssemblerError("the sheet can't be set"),
        KeyboardInterrupt(),
    ],
    ids=lambda error: type(error).__name__,
)
@pytest.mark.parametrize("step", ["write_credits_sheet", "write_checksums", "put_in_place"])
def test_interrupted_build_leaves_the_last_release(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, error: BaseException, step: str
) -> None:
    desk.build(MANIFEST, "--only", "paper")
    before = contents(desk.out)
    source = load(desk.write(MANIFEST.replace("Low Lantern", "Low Light")))
    with monkeypatch.context() as patch:
        patch.setattr(ROOM, step, failing(error))
        with pytest.raises((type(error), AssemblerError)):
            build(source, desk.out, only=("paper",))
    assert contents(desk.out) == before
    build(source, desk.out, only=("paper",))
    assert b"Low Light" in (desk.release / "manifest.yaml").read_bytes()
    assert sorted(p.name for p in desk.out.iterdir()) == ["TWE-014"]


def test_interrupted_first_build_leaves_nothing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ROOM, "write_credits_sheet", failing(RuntimeError("a bug")))
    source = load(desk.write())
    with pytest.raises(RuntimeError):
        build(source, desk.out / "deep" / "er")
    assert not desk.out.exists()


@pytest.mark.parametrize(
    ("error", "word"),
    [(OSError(errno.ENOSPC, "No space left on device"), "space"), (KeyboardInterrupt(), "stopped")],
    ids=["full disk", "interrupt"],
)
def test_interrupted_build_is_reported_in_one_line(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, error: BaseException, word: str
) -> None:
    monkeypatch.setattr(ROOM, "write_credits_sheet", failing(error))
    path = desk.write()
    code, out, err = desk.run("build", path, "--out", desk.out, "--only", "paper")
    assert code == 1
    assert word in err
    assert len((out + err).splitlines()) == 1


@pytest.mark.thorough
@pytest.mark.parametrize("after", [0, 1])
@pytest.mark.parametrize("error", [KeyboardInterrupt, OSError])
def test_stop_while_the_release_is_exchanged_loses_nothing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, error: type[BaseException], after: int
) -> None:
    """A stop before or between the two moves that exchange the last release for the new one."""
    desk.build(MANIFEST, "--only", "paper")
    (desk.release / "note.txt").write_text("300 copies")
    source = load(desk.write())
    renames = 0
    rename = Path.rename

    def stopping(self: Path, target: Path) -> Path:
        nonlocal renames
        renames += 1
        if renames == after + 1:
            raise error
        return rename(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", stopping)
        with pytest.raises((error, AssemblerError)):
            build(source, desk.out, only=("paper",))
    assert (desk.release / "report.json").is_file()
    assert b"300 copies" in contents(desk.out).values()


@pytest.mark.thorough
@pytest.mark.parametrize("most_bytes", [100_000, 1_900_000], ids=["scratch", "disc image"])
def test_full_disk_is_reported_in_one_line_and_leaves_nothing(desk: Desk, most_bytes: int) -> None:
    """A limit on the size of files replaces a full disk."""
    path = desk.write()
    script = (
        "import resource, sys\n"
        "from assembler.commands.main import main\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({most_bytes}, {most_bytes}))\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    command = [sys.executable, "-c", script, "build", str(path), "--out", str(desk.out)]
    empty = {**os.environ, "ASSEMBLER_STORE": str(desk.out.parent / "store")}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=empty)
    assert done.returncode == 1
    (line,) = (done.stdout + done.stderr).splitlines()
    assert line.startswith(f"{desk.out}: can't be written: ")
    assert line.endswith("; the last finished release is unchanged")
    assert not desk.out.exists()


@pytest.mark.thorough
def test_killed_build_is_finished_by_the_next_without_litter(desk: Desk) -> None:
    desk.build(MANIFEST, "--only", "paper")
    before = contents(desk.release)
    path = desk.write(MANIFEST.replace("Low Lantern", "Low Light"))
    script = (
        "import os, signal\n"
        "from assembler import build, load\n"
        "from assembler.release import run as room\n"
        "from pathlib import Path\n"
        "room.write_credits_sheet = lambda *_: os.kill(os.getpid(), signal.SIGKILL)\n"
        f"build(load({str(path)!r}), Path({str(desk.out)!r}), only=('paper',))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], env={**os.environ}, check=False)
    assert done.returncode == -signal.SIGKILL
    assert contents(desk.release) == before
    build(load(path), desk.out, only=("paper",))
    assert b"Low Light" in (desk.release / "manifest.yaml").read_bytes()
    assert sorted(p.name for p in desk.out.iterdir()) == ["TWE-014"]
