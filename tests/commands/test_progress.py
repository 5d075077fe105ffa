"""How a build shows its progress: in a terminal of 80 columns, and not at all elsewhere."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import threading
from pathlib import Path

import pytest
from desk import MANIFEST, Desk
from rich.cells import cell_len

from assembler.cancel import Cancelled, CancelToken
from assembler.commands.console.progress import Board
from assembler.manifest import load
from assembler.release.building import build
from assembler.release.progress import Step, TaskProgress

REDRAWN = re.compile(r"\r\x1b\[2K(?:\x1b\[1A\x1b\[2K)*")
CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
LONG = "The Long and Slow Return of the Ferrymen to the Slack Water at Halden Stairs in Winter"


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def worked(clock: Clock, board: Board, cost_s: float, took_s: float) -> None:
    board.record(Step("work", cost_s, "begun"))
    clock.now_s += took_s
    board.record(Step("work", cost_s, "ended"))


def test_time_left_goes_by_cost_and_pace() -> None:
    clock = Clock()
    board = Board(2, clock)
    board.record(Step("", 100.0, "planned"))
    assert (board.done(), board.left_s()) == (0.0, None)
    worked(clock, board, 10.0, 5.0)  # one long piece
    assert board.done() == pytest.approx(0.1)
    assert board.left_s() == pytest.approx(90 / 2)
    for _ in range(10):  # ten short ones count as much as they cost
        worked(clock, board, 1.0, 0.5)
    assert board.done() == pytest.approx(0.2)
    assert board.left_s() == pytest.approx(80 / 2)


def test_what_came_from_the_store_does_not_count_as_pace() -> None:
    clock = Clock()
    board = Board(2, clock)
    board.record(Step("", 100.0, "planned"))
    worked(clock, board, 10.0, 10.0)
    for _ in range(5):
        worked(clock, board, 10.0, 0.001)
    assert board.done() == pytest.approx(0.6)
    assert board.left_s() == pytest.approx(40, rel=0.01)


def test_a_piece_under_way_moves_the_bar_and_never_fills_it() -> None:
    clock = Clock()
    board = Board(2, clock)
    board.record(Step("", 40.0, "planned"))
    worked(clock, board, 10.0, 10.0)
    board.record(Step("long", 30.0, "begun"))
    seen = []
    for _ in range(100):
        clock.now_s += 1
        seen.append(board.done())
    assert seen == sorted(seen)
    assert seen[4] == pytest.approx((10 + 5) / 40)
    assert seen[-1] < 1


def test_the_bar_never_falls_when_more_work_turns_up() -> None:
    clock = Clock()
    board = Board(2, clock)
    board.record(Step("", 10.0, "planned"))
    worked(clock, board, 5.0, 5.0)
    board.record(Step("", 90.0, "planned"))
    assert board.done() == pytest.approx(0.05)
    worked(clock, board, 45.0, 45.0)
    before = board.done()
    board.record(Step("", 100.0, "planned"))
    assert board.done() == before == pytest.approx(0.5)


def test_each_worker_keeps_its_line_and_no_more_than_asked_are_shown() -> None:
    board = Board(2)
    hold, begun = threading.Event(), []

    def work(name: str) -> None:
        board.record(Step(name, 1.0, "begun"))
        begun.append(name)
        hold.wait(30)
        board.record(Step(name, 1.0, "ended"))

    threads = []
    for name in ("first", "second", "third"):
        threads.append(threading.Thread(target=work, args=(name,)))
        threads[-1].start()
        while name not in begun:
            pass
    assert board.steps() == ["first", "second"]
    hold.set()
    for thread in threads:
        thread.join()
    assert not any(board.steps())


def test_tasks_end_with_what_was_planned_and_can_be_cancelled() -> None:
    steps: list[Step] = []
    tasks = TaskProgress(steps.append)
    tasks.plan(10.0)
    with tasks.task("match", 4.0):
        pass
    with pytest.raises(ZeroDivisionError), tasks.task("master", 3.0):
        raise ZeroDivisionError
    tasks.finish()
    planned = sum(step.cost_s for step in steps if step.moment == "planned")
    done = sum(step.cost_s for step in steps if step.moment == "ended")
    assert (planned, done) == (7.0, 7.0)
    token = CancelToken()
    token.new_child().cancel()
    with token.active(), tasks.task("goes on"):
        pass
    token.cancel()
    with token.active(), pytest.raises(Cancelled), tasks.task("stops"):
        raise AssertionError("begun")
    assert steps[-1].what == "goes on"
    assert token.new_child().is_cancelled


@pytest.fixture(autouse=True)
def empty_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What another test has made would not be made again."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))


@pytest.mark.thorough
def test_a_build_does_what_it_planned(desk: Desk) -> None:
    """The plan made beforehand comes near to what the steps add up to."""
    steps: list[Step] = []
    text = MANIFEST.replace("formats: [flac-16]", "formats: [flac-16, mp3-320]")
    build(load(desk.write(text)), desk.out, progress=steps.append)
    first = next(step.cost_s for step in steps if step.moment == "planned")
    planned = sum(step.cost_s for step in steps if step.moment == "planned")
    done = sum(step.cost_s for step in steps if step.moment == "ended")
    assert done == pytest.approx(planned)
    assert done == pytest.approx(first, rel=0.35)
    kinds = {step.what.split(":")[0] for step in steps if step.moment == "begun"}
    assert {"match", "master", "disc 1", "flac-16", "mp3-320", "credits sheet", "proof"} <= kinds


def in_terminal(desk: Desk, *arguments: str) -> str:
    """Run a command in a terminal of 80 columns and 24 lines; give all that was written to it."""
    main, side = pty.openpty()
    fcntl.ioctl(side, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {**os.environ, "TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8"}
    environment.pop("COLUMNS", None)
    process = subprocess.Popen(
        [sys.executable, "-m", "assembler", *arguments],
        cwd=desk.folder,
        env=environment,
        stdin=side,
        stdout=side,
        stderr=side,
    )
    os.close(side)
    shown = b""
    while True:
        try:
            data = os.read(main, 65536)
        except OSError:  # the other side is closed
            break
        if not data:
            break
        shown += data
    os.close(main)
    assert process.wait(timeout=30) == 0, shown
    return shown.decode("utf-8")


@pytest.mark.thorough
def test_what_a_terminal_of_80_columns_shows(desk: Desk) -> None:
    desk.write(MANIFEST.replace("Low Lantern", LONG))
    desk.write(MANIFEST.replace("TWE-014", "TWE-015"), "more.yaml")
    shown = in_terminal(desk, "build", "songs.yaml", "more.yaml", "--jobs", "2", "--only", "disc")
    frames = [CONTROL.sub("", part).splitlines() for part in REDRAWN.split(shown)]
    drawn = [frame for frame in frames if frame and "%" in frame[0]]
    assert len(drawn) > 3
    for frame in drawn[:-1]:
        assert re.search(r" \d+%", frame[0])
        assert len(frame) <= 3  # the bar and two workers
        assert max(map(cell_len, frame)) <= 80
    text = "\n".join("\n".join(frame) for frame in drawn)
    assert re.search(r"TWE-01[45]  (match|master): ", text)
    assert re.search(r"\d of 2 releases", text)
    assert "2 of 2 releases made" in shown


@pytest.mark.thorough
def test_nothing_is_drawn_with_json_or_where_there_is_no_terminal(desk: Desk) -> None:
    desk.write()
    assert "%" not in in_terminal(desk, "build", "songs.yaml", "--only", "paper", "--json")
    command = [sys.executable, "-m", "assembler", "build", "songs.yaml", "--only", "disc"]
    done = subprocess.run(command, cwd=desk.folder, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert "\x1b" not in done.stdout
