"""A build that is stopped by a signal, or killed: what it leaves, and how the next one goes on."""

from __future__ import annotations

import itertools
import os
import pty
import re
import shlex
import shutil
import signal
import subprocess
import sys
import threading
import time
import weakref
from pathlib import Path

import numpy as np
import pytest
import soundfile
from long_runs import LONG

from assembler import AssemblerError, build, load, verify
from assembler.cancel import ENDING_SIGNALS, Cancelled, check_cancelled, child_process
from assembler.commands.main import main
from assembler.dsp.kernel_cache import FOLDER
from assembler.entry import _Interrupts
from assembler.finished.release_folder import read_checksums
from assembler.workers import own_workers, result_of

RATE_HZ = 44100
SECONDS = 20
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-S}
level: {match: album, target: -14, ceiling: -1}
download: {formats: [flac-24, mp3-320]}
tracks:
- {title: Low Lantern, audio: a.wav}
- {title: Tide Table, audio: b.wav}
- {title: Undertow, audio: c.ogg}
"""


@pytest.fixture(scope="module")
def first_desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three recordings and a manifest; libsndfile's Vorbis is another file each time."""
    folder = tmp_path_factory.mktemp("first-desk")
    for n, name in enumerate(("a.wav", "b.wav", "c.ogg")):
        noise = np.random.default_rng(n).normal(0, 0.1, (SECONDS * RATE_HZ, 2))
        with soundfile.SoundFile(folder / name, "w", RATE_HZ, 2) as file:
            for second in np.split(noise, SECONDS):  # long writes of Vorbis overflow its stack
                file.write(second)
    (folder / "T.yaml").write_text(MANIFEST, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def undisturbed(first_desk: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Digests of the release as a build makes it that nothing disturbs."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ASSEMBLER_STORE", str(tmp_path_factory.mktemp("its-store")))
        out = tmp_path_factory.mktemp("undisturbed")
        return read_checksums(build(load(first_desk / "T.yaml"), out).release_dir)


@pytest.fixture
def desk(first_desk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of these, and an empty cache."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))
    return Path(shutil.copytree(first_desk, tmp_path / "desk"))


def lengthen(recording: Path) -> None:
    """Play a recording many times over, so that no machine is done with it before a signal."""
    sound, rate_hz = soundfile.read(recording, dtype="int16")
    soundfile.write(recording, np.tile(sound, (50, 1)), rate_hz, "PCM_16")


def begun(desk: Path, *more: str) -> subprocess.Popen[str]:
    """Start a build in a process of its own."""
    command = [sys.executable, "-m", "assembler", "build", "T.yaml", "--out", "out", *more]
    return subprocess.Popen(
        command, cwd=desk, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def children(process: subprocess.Popen[str]) -> list[int]:
    """Find the processes that a process has started and that still run (Linux: /proc)."""
    pids = [int(one.name) for one in Path("/proc").glob("[0-9]*")]
    found = [(pid, state_of(pid)) for pid in pids]
    return [pid for pid, (state, parent) in found if parent == process.pid and state not in "XZ"]


def state_of(pid: int) -> tuple[str, int]:
    """Return a process's state, as in ps, and its parent; X where there is no such process."""
    try:
        state, parent = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[:2]
    except OSError:
        return "X", 0
    return state, int(parent)


def wait_for(what: str, process: subprocess.Popen[str], desk: Path) -> None:
    """Wait until a build has come to this point."""
    reached = {
        "the start": lambda: any((desk / "out").glob(".*.assembling-*")),
        "reading": lambda: any((desk / "out").glob(".*/release")),
        "encoding": lambda: any((desk / "out").glob(".*/release/download/*")) and children(process),
        "the disc": lambda: any((desk / "out").glob(".*/release/disc/*")),
        "the proof": lambda: any((desk / "out").glob(".*/release/proof/*")),
    }[what]
    for _ in range(6000):
        if reached() or process.poll() is not None:
            return
        time.sleep(0.01)
    raise AssertionError(f"the build never came to {what}")


def ended(process: subprocess.Popen[str], by: signal.Signals) -> tuple[str, str]:
    """Send a signal, wait for the end, and return what was printed."""
    assert process.poll() is None, "the build was over before the signal"
    process.send_signal(by)
    return process.communicate(timeout=600)


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("moment", "by"),
    [
        ("encoding", signal.SIGTERM),
        *((("the start", signal.SIGINT), ("reading", signal.SIGINT)) if LONG else ()),
        *((("the disc", signal.SIGINT), ("the proof", signal.SIGHUP)) if LONG else ()),
    ],
)
def test_stopped(desk: Path, undisturbed: dict[str, str], moment: str, by: signal.Signals) -> None:
    last = desk / "out" / "TWE-S"
    (desk / "T.yaml").write_text(MANIFEST.replace("-14", "-20"), encoding="utf-8")
    build(load(desk / "T.yaml"), desk / "out", only=("paper",))
    good = read_checksums(last)
    (desk / "T.yaml").write_text(MANIFEST, encoding="utf-8")
    process = begun(desk)
    wait_for(moment, process, desk)
    started = children(process)
    out, err = ended(process, by)
    assert process.returncode == 1, (out, err)
    assert (out, err) == ("", "stopped: the last finished release is unchanged\n")
    assert {state_of(pid)[0] for pid in started} <= set("XZ")  # Z: killed, and not buried yet
    assert read_checksums(last) == good
    assert [path.name for path in (desk / "out").iterdir()] == ["TWE-S"]
    report = build(load(desk / "T.yaml"), desk / "out")
    assert read_checksums(report.release_dir) == undisturbed
    assert not list((desk.parent / "store").glob("??/.*"))  # a stop in a hurry may leave some


@pytest.mark.thorough
def test_what_was_finished_before_the_stop_is_not_made_again(
    desk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object) -> None:
        raise Cancelled

    with monkeypatch.context() as patch:
        patch.setattr("assembler.release.run.write_page", stop)  # all sound is finished by then
        with pytest.raises(Cancelled):
            build(load(desk / "T.yaml"), desk / "out")
    assert not (desk / "out").exists()
    report = build(load(desk / "T.yaml"), desk / "out")
    sound = {name for name in report.reused if name.startswith(("disc/", "download/"))}
    assert "disc/TWE-S.flac" in sound  # the image is no entry of the cache: it is rendered again
    assert len(sound) == 1 + 2 * 3


def endless(ended: list[int]) -> None:
    for _ in range(1000):
        check_cancelled()
        time.sleep(0.02)
    ended.append(threading.get_ident())


def test_an_error_ends_what_workers_are_at() -> None:
    with pytest.raises(KeyboardInterrupt), own_workers(2) as pool:
        work = [pool.submit(endless, []) for _ in range(5)]
        while not work[1].running():
            time.sleep(0.001)
        raise KeyboardInterrupt
    assert [isinstance(one.exception(), Cancelled) for one in work[:2]] == [True, True]
    assert all(one.cancelled() for one in work[2:])


def test_what_is_done_is_let_go() -> None:
    """Blocks of a side that is read by workers must not pile up."""
    with own_workers(2) as workers:
        made = [weakref.ref(result_of(workers.submit(np.zeros, 1000))) for _ in range(20)]
        made += [weakref.ref(one) for one in workers.map(np.zeros, range(20))]
        for _ in range(500):
            if not any(one() is not None for one in made):
                return
            time.sleep(0.01)
    raise AssertionError("results of work that is done are kept")


def blocked(status: str) -> set[signal.Signals]:
    """Return which of the ending signals a process or thread blocks (Linux: proc_pid_status(5))."""
    mask = int(re.search(r"^SigBlk:\s*(\w+)$", status, re.MULTILINE)[1], 16)
    return {one for one in ENDING_SIGNALS if mask >> (one - 1) & 1}


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="no /proc, which shows the masks")
def test_workers_leave_signals_to_the_main_thread_and_children_are_born_without_the_mask() -> None:
    def masks(_: int) -> tuple[str, str, str]:
        own = Path(f"/proc/self/task/{threading.get_native_id()}/status")
        before = own.read_text()
        with child_process(["cat", "/proc/self/status"], stdout=subprocess.PIPE) as child:
            of_child = child.stdout.read().decode()
        return before, of_child, own.read_text()

    with own_workers(2) as workers:
        for before, of_child, after in workers.map(masks, range(4)):
            assert blocked(before) == blocked(after) == set(ENDING_SIGNALS)
            assert "Name:\tcat" in of_child
            assert int(re.search(r"SigBlk:\s*(\w+)", of_child)[1], 16) == 0
    assert blocked(Path("/proc/self/status").read_text()) == set()


def test_a_signal_wakes_the_main_thread_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """It waits for work without looking round: a signal to the process reaches no worker."""

    def work(_: int) -> None:
        time.sleep(0.3)  # by now the main thread waits
        os.kill(os.getpid(), signal.SIGINT)
        endless(finished)

    finished: list[int] = []
    monkeypatch.setattr("assembler.workers.FALLBACK_S", 600.0)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt), own_workers(2) as workers:
            result_of(workers.submit(work, 0))
    finally:
        signal.signal(signal.SIGINT, before)
    assert not finished


def test_a_signal_that_another_thread_took_is_handled_soon() -> None:
    """The kernel may give it to a thread that has it unblocked, to start a child process."""

    def work(_: int) -> None:
        time.sleep(0.3)  # by now the main thread waits
        signal.pthread_kill(threading.get_ident(), signal.SIGUSR1)
        endless(finished)

    finished: list[int] = []
    before = signal.signal(signal.SIGUSR1, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt), own_workers(2) as workers:
            result_of(workers.submit(work, 0))
        with pytest.raises(KeyboardInterrupt), own_workers(2) as workers:
            list(workers.map(work, range(2)))
    finally:
        signal.signal(signal.SIGUSR1, before)
    assert not finished


@pytest.mark.thorough
def test_stopped_with_json(desk: Path) -> None:
    lengthen(desk / "a.wav")
    process = begun(desk, "--json")
    wait_for("reading", process, desk)
    out, err = ended(process, signal.SIGINT)
    assert process.returncode == 1
    assert err == ""
    assert '"ok": false' in out
    assert "stopped: the last finished release is unchanged" in out
    assert not (desk / "out").exists()


@pytest.mark.thorough
def test_more_signals_end_nothing_in_the_middle(desk: Path) -> None:
    """Impatience, or a terminal that is closed after Ctrl-C."""
    lengthen(desk / "a.wav")
    process = begun(desk)
    wait_for("reading", process, desk)
    by = itertools.cycle((signal.SIGINT, signal.SIGHUP, signal.SIGTERM))
    while process.poll() is None:
        process.send_signal(next(by))
        time.sleep(0.005)
    out, err = process.communicate()
    assert process.returncode == 1
    assert (out, err) == ("", "stopped: the last finished release is unchanged\n")
    assert not (desk / "out").exists()


def test_a_second_ctrl_c_does_not_disturb_the_end_of_any_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def impatient(*_: object) -> None:
        try:
            signal.raise_signal(signal.SIGINT)
            time.sleep(60)
        finally:
            signal.raise_signal(signal.SIGINT)  # while the work is being put away

    monkeypatch.setattr("assembler.cache.folder.CacheFolder.size", impatient)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        assert main(["store"], began=_Interrupts().let_through) == 1
        signal.raise_signal(signal.SIGINT)
    finally:
        signal.signal(signal.SIGINT, before)
    captured = capsys.readouterr()
    assert (captured.out, captured.err) == ("", "stopped: the last finished release is unchanged\n")


@pytest.mark.thorough
def test_nohup_is_respected(desk: Path) -> None:
    """What is to outlive its terminal does (nohup, POSIX.1)."""
    command = "trap '' HUP; exec " + shlex.join(
        [sys.executable, "-m", "assembler", "build", "T.yaml", "--out", "out"]
    )
    process = subprocess.Popen(
        ["sh", "-c", command], cwd=desk, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    wait_for("reading", process, desk)
    process.send_signal(signal.SIGHUP)
    _, err = process.communicate(timeout=600)
    assert process.returncode == 0, err


@pytest.mark.thorough
def test_ctrl_c_in_a_terminal_reaches_the_build_alone(desk: Path) -> None:
    """The terminal sends the signal to all of its group: the encoders are outside of it."""
    main, side = pty.openpty()
    command = [sys.executable, "-m", "assembler", "build", "T.yaml", "--out", "out"]
    process = subprocess.Popen(
        ["setsid", "-c", *command], cwd=desk, stdin=side, stdout=side, stderr=side, text=True
    )
    os.close(side)
    wait_for("encoding", process, desk)
    os.write(main, b"\x03")
    shown = b""
    while True:
        try:
            shown += (block := os.read(main, 65536))
        except OSError:  # the other side is closed
            break
        if not block:
            break
    assert process.wait(timeout=600) == 1
    assert b"stopped: the last finished release is unchanged" in shown
    assert b"ffmpeg" not in shown
    assert b"Traceback" not in shown
    os.close(main)


@pytest.mark.thorough
def test_the_next_build_clears_up_after_a_kill(desk: Path) -> None:
    process = begun(desk)
    wait_for("encoding", process, desk)
    process.kill()
    process.communicate()
    left = sorted(path.name[:18] for path in (desk / "out").iterdir())
    assert left == [".TWE-S.assembling-", ".TWE-S.assembling."]
    making = desk.parent / "store" / "00" / ".making-by-a-build-that-is-gone"
    making.mkdir(parents=True)
    (making / "part").write_bytes(b"half")
    other = (desk / "T.yaml").read_text().replace("TWE-S", "TWE-U")
    (desk / "U.yaml").write_text(other, encoding="utf-8")
    build(load(desk / "U.yaml"), desk / "out", only=("paper",))
    assert [path.name for path in (desk / "out").iterdir()] == ["TWE-U"]
    assert not list((desk.parent / "store").glob("??/.*"))
    assert not list((desk.parent / "store" / ".users").iterdir())


@pytest.mark.thorough
def test_what_another_users_build_is_at_stays(
    desk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two users have two cache folders; what they share is the output."""
    if FOLDER:
        monkeypatch.setenv("NUMBA_CACHE_DIR", FOLDER)  # compiled loops are no part of this
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "first user"))
    process = begun(desk)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "second user"))
    wait_for("encoding", process, desk)
    process.send_signal(signal.SIGSTOP)
    try:
        other = (desk / "T.yaml").read_text().replace("TWE-S", "TWE-U")
        (desk / "U.yaml").write_text(other, encoding="utf-8")
        build(load(desk / "U.yaml"), desk / "out", only=("paper",))
        assert len(list((desk / "out").glob(".TWE-S.assembling-*"))) == 1
        with pytest.raises(AssemblerError, match="another build of this release is running"):
            build(load(desk / "T.yaml"), desk / "out", only=("paper",))
    finally:
        process.send_signal(signal.SIGCONT)
    _, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    assert sorted(path.name for path in (desk / "out").iterdir()) == ["TWE-S", "TWE-U"]
    assert verify(desk / "out" / "TWE-S").ok
