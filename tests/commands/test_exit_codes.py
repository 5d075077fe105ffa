"""Exit codes and streams: 0 done, 1 errors found, 2 wrong usage; the commands
run as typed, each in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from desk import MANIFEST, Desk, contents

import assembler
from assembler.commands.main import main


def typed(
    *arguments: str | Path, folder: Path | None = None, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run a command as it would be typed."""
    return subprocess.run(
        [sys.executable, "-m", "assembler", *map(str, arguments)],
        cwd=folder,
        env={**os.environ, "PYTHONIOENCODING": "utf-8", **environment},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


@pytest.mark.thorough
def test_good_check(desk: Desk) -> None:
    desk.write()
    done = typed("check", "songs.yaml", folder=desk.folder)
    assert done.returncode == 0
    assert "Low Lantern" in done.stdout
    assert "songs.yaml: ready to build" in done.stdout
    assert done.stderr == ""


def test_bad_check(desk: Desk) -> None:
    desk.write(MANIFEST.replace("b.wav", "gone.wav"))
    done = typed("check", "songs.yaml", folder=desk.folder)
    assert done.returncode == 1
    assert "songs.yaml:11" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr


@pytest.mark.thorough
def test_json_alone_on_standard_output(desk: Desk) -> None:
    desk.write()
    built = typed("build", "songs.yaml", "--json", "--jobs", "1", folder=desk.folder)
    assert built.returncode == 0
    document = json.loads(built.stdout)
    assert document["ok"] is True
    assert (desk.folder / document["release_dir"] / "report.json").is_file()
    assert Path(document["release_dir"]) == Path("releases/TWE-014")


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["sing"],
        ["check"],
        ["check", "a.yaml", "b.yaml"],
        ["check", "--loud", "songs.yaml"],
        ["build"],
        ["build", "songs.yaml", "--only", "vinyl"],
        ["build", "songs.yaml", "--only", "disc,"],
        ["build", "songs.yaml", "--jobs", "0"],
        ["build", "songs.yaml", "--jobs", "many"],
        ["measure"],
        ["verify"],
        ["draft"],
        ["schema", "songs.yaml"],
        ["import", "table.csv"],
        ["import", "table.csv", "songs.yaml", "--match", "5"],
        ["export", "table.csv"],
    ],
)
def test_wrong_usage(desk: Desk, monkeypatch: pytest.MonkeyPatch, arguments: list[str]) -> None:
    desk.write()
    monkeypatch.chdir(desk.folder)
    before = contents(desk.folder)
    desk.capsys.readouterr()
    try:
        code = main(arguments)
    except SystemExit as stop:
        code = int(stop.code or 0)
    out, err = desk.capsys.readouterr()
    assert code == 2
    assert out == ""
    assert err
    assert contents(desk.folder) == before


@pytest.mark.thorough
def test_wrong_usage_in_a_process_of_its_own(desk: Desk) -> None:
    done = typed("build", "songs.yaml", "--only", "vinyl", folder=desk.folder)
    assert done.returncode == 2
    assert "vinyl" in done.stderr
    assert done.stdout == ""


@pytest.mark.parametrize("command", ["check", "measure", "build", "verify"])
def test_things_that_are_not_there(desk: Desk, command: str) -> None:
    path = desk.folder / "gone.yaml"
    assert desk.error_line(command, path) == (
        f"{path}/SHA256SUMS: can't be read: is this a finished release?"
        if command == "verify"
        else f"error {path}: no such file or directory: check the path"
    )


def test_version_and_help() -> None:
    done = typed("--version")
    assert (done.returncode, done.stdout.strip()) == (0, assembler.__version__)
    done = typed("--help")
    assert done.returncode == 0
    for command in ("draft", "check", "measure", "build", "verify", "schema"):
        assert command in done.stdout
    assert "2 wrong usage" in done.stdout


def many(count: int) -> str:
    head = MANIFEST[: MANIFEST.index("tracks:")]
    tracks = "".join(f"  - title: Piece {n}\n    audio: t{n}.wav\n" for n in range(1, count + 1))
    return f"{head}tracks:\n{tracks}"


def modules_loaded(*arguments: str) -> tuple[str, str]:
    """Run a command; return its standard output, and which of the slow libraries it loaded."""
    script = (
        "import sys\n"
        "from assembler.commands.main import main\n"
        "code = main(sys.argv[1:])\n"
        "names = ('numba', 'scipy', 'scipy.signal', 'soxr', 'pyloudnorm', 'reportlab')\n"
        "print([n for n in names if n in sys.modules], file=sys.stderr)\n"
        "sys.exit(code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout, done.stderr.strip().splitlines()[-1]


@pytest.mark.thorough
def test_no_slow_library_is_loaded_in_vain(desk: Desk) -> None:
    path = str(desk.write())
    _, first = modules_loaded("build", path, "--json")
    assert "numba" in first
    text, second = modules_loaded("build", path, "--json")
    assert json.loads(text)["made"] == []
    assert second == "[]"
    _, verifying = modules_loaded("verify", json.loads(text)["release_dir"])
    assert "numba" in verifying
    assert "scipy.signal" not in verifying  # only the second meter needs it


@pytest.mark.thorough
def test_check_of_99_tracks_renders_nothing_and_wakes_no_sound_room(desk: Desk) -> None:
    content = (desk.folder / "a.wav").read_bytes()
    for number in range(1, 100):
        (desk.folder / f"t{number}.wav").write_bytes(content)
    path = desk.write(many(99))
    before = contents(desk.folder)
    text, loaded = modules_loaded("check", str(path), "--json")
    assert loaded == "[]"
    assert len(json.loads(text)["tracks"]) == 99
    assert contents(desk.folder) == before


@pytest.mark.thorough
def test_titles_survive_a_terminal_that_has_no_such_signs(desk: Desk) -> None:
    desk.write(MANIFEST.replace("Low Lantern", "Sørlys 低い 🌊"))
    plain = typed(
        "check", "songs.yaml", folder=desk.folder, PYTHONIOENCODING="ascii", PYTHONUTF8="0"
    )
    assert plain.returncode == 0
    assert "Traceback" not in plain.stderr
    done = typed(
        "check",
        "songs.yaml",
        "--json",
        folder=desk.folder,
        PYTHONIOENCODING="ascii",
        PYTHONUTF8="0",
    )
    assert json.loads(done.stdout)["tracks"][0]["title"] == "Sørlys 低い 🌊"


def test_closed_pipe_is_not_an_error(desk: Desk) -> None:
    desk.write(many(1).replace("t1.wav", "a.wav"))
    with subprocess.Popen(
        [sys.executable, "-m", "assembler", "schema"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        words = process.stderr.read()
    assert "Traceback" not in words
    assert process.returncode in (0, 1)
