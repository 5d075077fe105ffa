"""Standard streams that are closed, full or left by their reader don't change the verdict.

A Ctrl-C is answered with a message from the first moment (POSIX.1-2017, `write` and `signal`, from
memory).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from commands.typed import in_shell
from desk import MANIFEST, Desk, hum

pytestmark = pytest.mark.skipif(os.name != "posix", reason="streams as POSIX has them")
HUNG_UP = 'set -o pipefail; "$@" | true; echo "exit ${PIPESTATUS[0]}" >&2'
CLOSED = '"$@" >&-; echo "exit $?" >&2'
DEAF = '"$@" 2>&-; echo "exit $?"'
NEITHER = '"$@" >&- 2>&- <&-; code=$?; exit $code'
FULL = '"$@" > /dev/full; echo "exit $?" >&2'


@pytest.fixture(scope="module")
def release(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished release, good; beside it `broken`, of which a tag was changed."""
    folder = tmp_path_factory.mktemp("desk")
    desk = Desk(folder, None)  # type: ignore[arg-type]
    desk.sound("a.wav", hum())
    desk.sound("b.wav", hum(hz=330))
    only = ("--only", "paper", "--json")
    done = in_shell('"$@"', "build", desk.write(), "--out", desk.out, *only, folder=folder)
    assert done.returncode == 0
    broken = folder / "broken"
    shutil.copytree(desk.release, broken)
    (broken / "paper" / "label-copy.txt").write_text("another text")
    return desk.release


@pytest.mark.thorough
@pytest.mark.parametrize("line", [HUNG_UP, CLOSED, DEAF])
def test_verdict_does_not_depend_on_who_reads_it(release: Path, line: str) -> None:
    broken = release.parents[1] / "broken"
    for folder, code, more in ((release, 0, ()), (broken, 1, ("--json",))):
        done = in_shell(line, "verify", folder, *more, folder=release)
        output = done.stdout + done.stderr
        assert f"exit {code}".encode() in output, output
        assert b"Traceback" not in output
        assert b"Exception ignored" not in output


@pytest.mark.thorough
@pytest.mark.parametrize("line", [CLOSED, DEAF, NEITHER])
def test_good_files_are_good_whatever_is_closed(desk: Desk, line: str) -> None:
    """A file opened in the place of closed standard error was read as damaged."""
    names = [desk.sound(f"{n}.flac", hum(hz=n)).name for n in (200, 300)]
    done = in_shell(line, "measure", *names, "--json", folder=desk.folder)
    assert done.returncode == 0
    output = done.stdout + done.stderr
    assert b"exit 1" not in output
    if line == DEAF:
        document = json.loads(done.stdout.rpartition(b"exit")[0])
        assert len(document["files"]) == 2


@pytest.mark.thorough
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
@pytest.mark.parametrize("command", ["schema", "check", "--help"])
def test_full_disk_behind_standard_output_is_reported(release: Path, command: str) -> None:
    desk = release.parents[1]
    more = (desk / "songs.yaml",) if command == "check" else ()
    done = in_shell(FULL, command, *more, folder=desk)
    output = done.stderr.decode()
    assert output.splitlines() == [
        "standard output can't be written: No space left on device: part of it is lost",
        "exit 1",
    ]


def test_closed_output_is_not_an_error(desk: Desk) -> None:
    desk.write(MANIFEST.replace("b.wav", "gone.wav"))
    for name, code in (("songs.yaml", 1), ("good.yaml", 0)):
        desk.write(name="good.yaml")
        done = in_shell(CLOSED, "check", name, folder=desk.folder)
        assert done.stderr.decode() == f"exit {code}\n"


INTERRUPTED = """\
import os, signal, sys
class Interrupting:
    def find_spec(self, name, *_):
        if name == {module!r}:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Interrupting())
import runpy
runpy.run_module("assembler", run_name="__main__")
"""
EARLY = ["assembler.streams", "argparse", "assembler.errors", "fractions"]
LATE = ["assembler.preflight.check", "pydantic"]


@pytest.mark.parametrize(
    "module",
    [
        "assembler.commands.main",
        *(pytest.param(name, marks=pytest.mark.thorough) for name in (*EARLY, *LATE)),
    ],
)
@pytest.mark.parametrize("more", [(), ("--json",)])
def test_ctrl_c_during_the_imports_prints_a_message(
    desk: Desk, module: str, more: tuple[str, ...]
) -> None:
    command = [sys.executable, "-c", INTERRUPTED.format(module=module), "check", desk.write()]
    done = subprocess.run([*command, *more], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    if more:
        document = json.loads(done.stdout)
        assert document["ok"] is False
        assert document["findings"][0]["message"].startswith("stopped")
        assert document["tracks"] == []
    else:
        assert done.stderr.startswith("stopped")
        assert len(done.stderr.splitlines()) == 1


def test_a_ctrl_c_that_the_shell_ignores_is_ignored(desk: Desk) -> None:
    """A shell without job control starts a command in the background with SIGINT ignored."""
    code = INTERRUPTED.format(module="assembler.commands.main")
    ignoring = f"import signal\nsignal.signal(signal.SIGINT, signal.SIG_IGN)\n{code}"
    command = [sys.executable, "-c", ignoring, "check", desk.write()]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("more", [(), ("--json",)])
def test_a_mistake_of_ours_is_one_line(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, more: tuple[str, ...]
) -> None:
    def mistaken(*_: object) -> None:
        raise IndexError("list index\nout of range")

    monkeypatch.setattr("assembler.preflight.check.find_sections", mistaken)
    code, out, err = desk.run("check", desk.write(), *more)
    output = json.loads(out)["findings"][0]["message"] if more else err.strip()
    assert code == 1
    assert "IndexError: list index out of range; test_streams.py, line" in output
    assert len(output.splitlines()) == 1
    monkeypatch.setenv("ASSEMBLER_TRACEBACK", "1")
    with pytest.raises(IndexError):
        desk.run("check", desk.write(), *more)
